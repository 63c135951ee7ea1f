// An OPC UA client in the hands of a test: a JSON object a line comes in, and one goes out for each, with its number.
// What subscriptions bring goes out by itself. A clock that is off: CLOCK_OFF_MS of the environment.
const off = Number(process.env.CLOCK_OFF_MS || 0);
if (off) {
  const Real = Date;
  class Off extends Real {
    constructor(...given) {
      if (given.length) super(...given);
      else super(Real.now() + off);
    }
    static now() {
      return Real.now() + off;
    }
  }
  globalThis.Date = Off;
}
const readline = require("readline");
const {
  AttributeIds,
  ClientMonitoredItem,
  ClientSubscription,
  constructEventFilter,
  DataChangeFilter,
  DataChangeTrigger,
  DataType,
  HistoryReadRequest,
  MessageSecurityMode,
  OPCUAClient,
  ReadRawModifiedDetails,
  resolveNodeId,
  SecurityPolicy,
  TimestampsToReturn,
  UserTokenType,
} = require("node-opcua-client");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");

const say = (told) => process.stdout.write(JSON.stringify(told) + "\n");
const sessions = {};
let manager = null;

function plain(value) {
  if (value === null || value === undefined) return null;
  if (typeof value.value === "object" && value.value && value.value.low !== undefined) {
    return { low: value.value.low, high: value.value.high };
  }
  const held = value.value;
  if (held && held.unitId !== undefined) {
    return { unitId: held.unitId, namespaceUri: held.namespaceUri, name: held.displayName.text };
  }
  if (held && held.text !== undefined) return held.text;
  if (held && held.namespaceIndex !== undefined && held.name !== undefined) return held.name;
  return held === undefined ? null : held;
}
const told = (v) => ({
  value: plain(v.value),
  type: v.value ? DataType[v.value.dataType] : null,
  status: v.statusCode.name,
  time: v.sourceTimestamp,
});

const deeds = {
  async connect(asked) {
    if (manager === null && asked.pki) {
      manager = new OPCUACertificateManager({ rootFolder: asked.pki, automaticallyAcceptUnknownCertificate: true });
      await manager.initialize();
    }
    const client = OPCUAClient.create({
      applicationName: "test",
      applicationUri: asked.uri,
      endpointMustExist: false,
      connectionStrategy: { maxRetry: asked.retry || 0, initialDelay: 100, maxDelay: 500 },
      keepSessionAlive: false,
      securityMode: MessageSecurityMode[asked.mode || "None"],
      securityPolicy: SecurityPolicy[asked.policy || "None"],
      certificateFile: asked.certificate,
      privateKeyFile: asked.key,
      clientCertificateManager: manager || undefined,
      serverCertificate: undefined,
      requestedSessionTimeout: 60000,
    });
    client.on("connection_lost", () => say({ lost: asked.as }));
    await client.connect(asked.url);
    let session;
    try {
      const who = asked.user
        ? { type: UserTokenType.UserName, userName: asked.user, password: asked.password }
        : { type: UserTokenType.Anonymous };
      session = await client.createSession(who);
    } catch (error) {
      await client.disconnect();
      throw error;
    }
    sessions[asked.as] = { client, session };
    return {};
  },
  async endpoints(asked) {
    const client = OPCUAClient.create({ endpointMustExist: false, connectionStrategy: { maxRetry: 0 }, clientCertificateManager: manager || undefined });
    await client.connect(asked.url);
    const found = await client.getEndpoints();
    await client.disconnect();
    return {
      endpoints: found.map((e) => [
        e.securityPolicyUri.split("#")[1],
        MessageSecurityMode[e.securityMode],
        e.userIdentityTokens.map((t) => UserTokenType[t.tokenType]),
        e.server.applicationName.text,
        e.server.applicationUri,
      ]),
    };
  },
  async read(asked) {
    const { session } = sessions[asked.as];
    const values = await session.read(
      asked.nodes.map((nodeId) => ({ nodeId, attributeId: AttributeIds[asked.attribute || "Value"] })),
    );
    return { values: values.map(told) };
  },
  async browse(asked) {
    const { session } = sessions[asked.as];
    const found = await session.browse(asked.node);
    return {
      status: found.statusCode.name,
      references: (found.references || []).map((r) => [
        r.nodeId.toString(),
        r.browseName.toString(),
        r.typeDefinition.toString(),
      ]),
    };
  },
  async subscribe(asked) {
    const { session } = sessions[asked.as];
    const subscription = await session.createSubscription2({
      requestedPublishingInterval: asked.interval || 100,
      requestedLifetimeCount: 1000,
      requestedMaxKeepAliveCount: 10,
      maxNotificationsPerPublish: 0,
      publishingEnabled: true,
      priority: 1,
    });
    subscription.on("terminated", () => say({ ended: asked.as }));
    const filter = asked.deadband
      ? new DataChangeFilter({ trigger: DataChangeTrigger.StatusValue, deadbandType: asked.deadband[0], deadbandValue: asked.deadband[1] })
      : null;
    for (const nodeId of asked.nodes || []) {
      const item = await subscription.monitor(
        { nodeId, attributeId: AttributeIds.Value },
        { samplingInterval: asked.interval || 100, discardOldest: true, queueSize: asked.queue || 10, filter },
        TimestampsToReturn.Both,
      );
      if (!item.statusCode.isGood()) throw new Error(item.statusCode.name);
      item.on("changed", (v) => say({ changed: nodeId, at: Date.now(), ...told(v) }));
    }
    for (const nodeId of asked.events || []) {
      const item = await subscription.monitor(
        { nodeId, attributeId: AttributeIds.EventNotifier },
        { samplingInterval: 0, discardOldest: true, queueSize: 10, filter: constructEventFilter(asked.fields) },
        TimestampsToReturn.Both,
      );
      item.on("changed", (fields) => {
        const event = {};
        asked.fields.forEach((name, place) => (event[name.replace("2:", "")] = plain(fields[place])));
        say({ event: nodeId, fields: event });
      });
    }
    return { interval: subscription.publishingInterval };
  },
  async history(asked) {
    const { session } = sessions[asked.as];
    const request = new HistoryReadRequest({
      historyReadDetails: new ReadRawModifiedDetails({
        isReadModified: false,
        startTime: asked.start ? new Date(asked.start) : undefined,
        endTime: asked.end ? new Date(asked.end) : undefined,
        numValuesPerNode: asked.most || 0,
        returnBounds: false,
      }),
      nodesToRead: asked.nodes.map((nodeId, place) => ({
        nodeId: resolveNodeId(nodeId),
        continuationPoint: asked.points && asked.points[place] ? Buffer.from(asked.points[place], "hex") : undefined,
      })),
      timestampsToReturn: TimestampsToReturn.Both,
      releaseContinuationPoints: false,
    });
    const response = await session.historyRead(request);
    return {
      results: response.results.map((r) => ({
        status: r.statusCode.name,
        point: r.continuationPoint && r.continuationPoint.length ? r.continuationPoint.toString("hex") : null,
        values: r.historyData && r.historyData.dataValues ? r.historyData.dataValues.map(told) : [],
      })),
    };
  },
  async write(asked) {
    const { session } = sessions[asked.as];
    const codes = await session.write(
      asked.nodes.map((nodeId) => ({
        nodeId,
        attributeId: AttributeIds[asked.attribute || "Value"],
        value: { value: { dataType: DataType.Double, value: 1.5 } },
      })),
    );
    return { codes: codes.map((c) => c.name) };
  },
  async call(asked) {
    const { session } = sessions[asked.as];
    const found = await session.call({ objectId: asked.object, methodId: asked.method, inputArguments: [] });
    return { status: found.statusCode.name };
  },
  async disconnect(asked) {
    const held = sessions[asked.as];
    delete sessions[asked.as];
    await held.session.close(true);
    await held.client.disconnect();
    return {};
  },
};

let before = Promise.resolve();
readline.createInterface({ input: process.stdin }).on("line", (text) => {
  const asked = JSON.parse(text);
  before = before.then(() =>
    deeds[asked.do](asked).then(
      (found) => say({ number: asked.number, ...found }),
      (error) => say({ number: asked.number, error: String((error && error.message) || error) }),
    ),
  );
}).on("close", () => process.exit(0));
process.on("uncaughtException", (error) => say({ uncaught: String(error) }));
say({ ready: true });
