// Lines of base64 come in, a payload each; what the npm package sparkplug-payload makes of them goes out, a line of JSON each.
const spb = require('sparkplug-payload').get('spBv1.0');
const lines = require('readline').createInterface({ input: process.stdin });
const plain = (key, value) =>
  typeof value === 'bigint' || (value && value.constructor && value.constructor.name === 'Long') ? Number(value) : value;
lines.on('line', (line) => {
  console.log(JSON.stringify(spb.decodePayload(Buffer.from(line, 'base64')), function (key, value) {
    const raw = this[key];
    return raw && typeof raw === 'object' && typeof raw.toNumber === 'function' ? raw.toNumber() : plain(key, value);
  }));
});
