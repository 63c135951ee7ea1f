// Every view of the page: its place in the address, the key of its name, what draws it. `way`: a link leads to it everywhere.
import { AlarmsView } from "./alarms.js";
import { EnterView } from "./enter.js";
import { HandoverView } from "./handover.js";
import { Overview } from "./overview.js";
import { PersonView } from "./person.js";

export const VIEWS = {
  overview: { name: "way.overview", View: Overview, way: true },
  alarms: { name: "way.alarms", View: AlarmsView, way: true },
  enter: { name: "way.enter", View: EnterView, way: true },
  handover: { name: "way.handover", View: HandoverView },
  person: { name: "way.person", View: PersonView },
};
