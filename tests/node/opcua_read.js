// Reads some nodes of an OPC UA server and prints what it finds as one JSON line.
const { OPCUAClient, AttributeIds, MessageSecurityMode, SecurityPolicy } = require("node-opcua-client");
async function main() {
  const client = OPCUAClient.create({ endpointMustExist: false, connectionStrategy: { maxRetry: 0 }, securityMode: MessageSecurityMode.None, securityPolicy: SecurityPolicy.None });
  await client.connect(process.argv[2]);
  const session = await client.createSession();
  const values = await session.read(process.argv.slice(3).map((nodeId) => ({ nodeId, attributeId: AttributeIds.Value })));
  console.log(JSON.stringify(values.map((v) => [v.value.value, v.statusCode.name, v.sourceTimestamp])));
  await session.close();
  await client.disconnect();
}
main().then(() => process.exit(0), (e) => { console.error(e.message); process.exit(1); });
