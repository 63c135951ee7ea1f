// Every view of the page: its place in the address, the key of its name, what draws it. `way`: a link leads to it everywhere.
import { AlarmsView } from "./alarms.js";
import { EnterView } from "./enter.js";
import { HandoverView } from "./handover.js";
import { LinesView } from "./lines.js";
import { Overview } from "./overview.js";
import { PersonView } from "./person.js";
import { ReportsView } from "./reports.js";
import { StockView } from "./stock.js";
import { TankView } from "./tank.js";
import { TransfersView } from "./transfers.js";

export const VIEWS = {
  overview: { name: "way.overview", View: Overview, way: true },
  alarms: { name: "way.alarms", View: AlarmsView, way: true },
  transfers: { name: "way.transfers", View: TransfersView, way: true },
  stock: { name: "way.stock", View: StockView, way: true },
  enter: { name: "way.enter", View: EnterView, way: true },
  lines: { name: "way.lines", View: LinesView, way: true },
  reports: { name: "way.reports", View: ReportsView, way: true },
  handover: { name: "way.handover", View: HandoverView },
  person: { name: "way.person", View: PersonView },
  tank: { name: "way.tank", View: TankView },
};
