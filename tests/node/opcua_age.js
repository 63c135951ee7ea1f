// Subscribes to figures of many tanks, and tells how long ago the sheet of each value was that came: ADDRESS TANKS SECONDS KEYS.
// TANKS: so many, from TK-1 on, or their tags. With a fifth word it counts from when it is told a line, else at once.
const { OPCUAClient, AttributeIds, TimestampsToReturn, MessageSecurityMode, SecurityPolicy } = require("node-opcua-client");
(async () => {
  const client = OPCUAClient.create({ endpointMustExist: false, securityMode: MessageSecurityMode.None, securityPolicy: SecurityPolicy.None });
  await client.connect(process.argv[2]);
  const session = await client.createSession();
  const sub = await session.createSubscription2({ requestedPublishingInterval: 500, requestedLifetimeCount: 600, requestedMaxKeepAliveCount: 10, maxNotificationsPerPublish: 0, publishingEnabled: true, priority: 1 });
  const keys = process.argv[5].split(",");
  const ages = []; let counts = false;
  const tanks = process.argv[3];
  const tags = /^\d+$/.test(tanks) ? Array.from({ length: Number(tanks) }, (_, t) => `TK-${t + 1}`) : tanks.split(",");
  for (const tag of tags) {
    const group = await sub.monitorItems(keys.map((k) => ({ nodeId: `ns=2;s=${tag}/${k}`, attributeId: AttributeIds.Value })), { samplingInterval: 500, queueSize: 1, discardOldest: true }, TimestampsToReturn.Both);
    group.on("changed", (item, v) => { if (counts && v.sourceTimestamp) ages.push(Date.now() - v.sourceTimestamp.getTime()); });
  }
  await new Promise((r) => setTimeout(r, 2000));
  const seconds = Number(process.argv[4]);
  console.log("subscribed");
  if (process.argv[6]) await new Promise((r) => process.stdin.once("data", r));
  counts = true;
  await new Promise((r) => setTimeout(r, 1000 * seconds));
  ages.sort((a, b) => a - b);
  console.log(JSON.stringify({ values: ages.length, p50: ages[ages.length >> 1] / 1000, p99: ages[Math.floor(ages.length * 0.99)] / 1000 }));
  process.exit(0);
})().catch((error) => {
  console.error(error.message);
  process.exit(1);
});
