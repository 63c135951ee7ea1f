// What people do to an alarm, each as a dialog that says what it does before it is done.
import { word } from "../words.js";
import { ActButton } from "./act_button.js";
import { html } from "../html.js";
import { siteNow, useTop } from "../live.js";
import { clock } from "../times.js";
import { alarmName, placeName } from "./alarm_words.js";

const SHELF = ["30 min", "1 h", "2 h", "4 h", "8 h", "12 h"];
const OUT_OF_SERVICE = ["8 h", "24 h", "3 d", "7 d", "14 d", "31 d"];

const why = (required) => ({ name: "why", label: word("field.why"), kind: "long", required, hint: word("field.why_hint") });

/** Which act is for what phase, and how it is drawn. */
const ACTS = {
  acknowledge: {
    phases: ["unacknowledged", "returned"],
    kind: "chief",
    // The very alarm that was seen: one that is raised anew in the meantime stays as it is.
    fixed: ({ alarm }) => (alarm.raised ? { raised: alarm.raised } : {}),
    fields: () => [],
  },
  shelve: {
    phases: ["unacknowledged", "acknowledged", "returned"],
    fields: () => [{ name: "duration", label: word("acts.shelve.until"), kind: "duration", required: true, options: SHELF }, why(true)],
  },
  "out-of-service": {
    phases: ["unacknowledged", "acknowledged", "returned", "shelved"],
    fields: () => [{ name: "duration", label: word("acts.out-of-service.until"), kind: "duration", required: true, options: OUT_OF_SERVICE }, why(true)],
  },
  unshelve: { phases: ["shelved"], fields: () => [why(false)] },
  "in-service": { phases: ["out_of_service"], fields: () => [why(false)] },
};

export function alarmAct(action, each) {
  const { tank, alarm } = each;
  const own = ACTS[action];
  const hides = action === "shelve" || action === "out-of-service";
  return {
    action,
    title: word(`acts.${action}.title`),
    about: word("acts.alarm_of", { place: placeName(tank), alarm: alarmName(alarm) }),
    effect: word(`acts.${action}.effect`),
    fixed: { tank: tank ?? "gateway", alarm: alarm.name, ...own.fixed?.(each) },
    fields: own.fields(),
    cautions: hides && alarm.active ? [word("acts.still_holds")] : [],
    meanwhile: () => useMeanwhile(each, own.phases),
    verb: word(`acts.${action}.do`),
  };
}

/** What has become of an alarm since its dialog was opened; `phases`: in which the act may still be done. */
function useMeanwhile({ tank, alarm: before }, phases) {
  const alarms = useTop("alarms");
  const now = (alarms ?? []).find((each) => each.tank === tank && each.alarm.name === before.name)?.alarm;
  if (!alarms) return null;
  if (!now) return { text: word("meanwhile.gone"), isOver: true };
  const time = (instant) => clock(instant, siteNow() ?? Date.parse(instant));
  if (now.raised !== before.raised && now.raised) return { text: word("meanwhile.anew", { time: time(now.raised) }), isOver: true };
  const isOver = !phases.includes(now.phase);
  if (now.phase !== before.phase && (isOver || now.by !== before.by)) {
    return { text: word("meanwhile.phase", { phase: word(`phase.${now.phase}`), by: now.by ?? "?", time: time(now.since) }), isOver };
  }
  return before.active && !now.active ? { text: word("meanwhile.over"), isOver } : null;
}

/** The buttons of what may be done to it now; `only`: of these acts alone. */
export function AlarmButtons({ each, only = Object.keys(ACTS) }) {
  const about = word("acts.alarm_of", { place: placeName(each.tank), alarm: alarmName(each.alarm) });
  const now = only.filter((action) => ACTS[action].phases.includes(each.alarm.phase));
  if (!now.length) return null;
  return html`<div class="buttons">
    ${now.map((action) => html`<${ActButton} key=${action} action=${action} kind=${ACTS[action].kind} label=${word(`acts.${action}.open`)} about=${about} spec=${() => alarmAct(action, each)} />`)}
  </div>`;
}
