// Every view of the page: its place in the address, the key of its name, what draws it. `way`: a link leads to it everywhere,
// of whoever may do what `permit` names.
// Each is loaded when it is first gone to, so that the first look waits for no other; see later.js.
import { later } from "../parts/later.js";
import { SITE_FILE } from "../parts/permits.js";

export const VIEWS = {
  overview: { name: "way.overview", View: later(() => import("./overview.js"), "Overview"), way: true },
  alarms: { name: "way.alarms", View: later(() => import("./alarms.js"), "AlarmsView"), way: true },
  transfers: { name: "way.transfers", View: later(() => import("./transfers.js"), "TransfersView"), way: true },
  stock: { name: "way.stock", View: later(() => import("./stock.js"), "StockView"), way: true },
  enter: { name: "way.enter", View: later(() => import("./enter.js"), "EnterView"), way: true },
  outlook: { name: "way.outlook", View: later(() => import("./outlook.js"), "OutlookView"), way: true },
  lines: { name: "way.lines", View: later(() => import("./lines.js"), "LinesView"), way: true },
  reports: { name: "way.reports", View: later(() => import("./reports.js"), "ReportsView"), way: true },
  changes: { name: "way.changes", View: later(() => import("./changes.js"), "ChangesView"), way: true },
  gateway: { name: "way.gateway", View: later(() => import("./gateway.js"), "GatewayView"), way: true },
  site: { name: "way.site", View: later(() => import("./site.js"), "SiteView"), way: true, permit: SITE_FILE },
  handover: { name: "way.handover", View: later(() => import("./handover.js"), "HandoverView") },
  person: { name: "way.person", View: later(() => import("./person.js"), "PersonView") },
  tank: { name: "way.tank", View: later(() => import("./tank.js"), "TankView") },
};
