// What people have entered and what holds of it: values by hand, products changed, instruments in maintenance.
import { html, useEffect, useRef, useState } from "../html.js";
import { get } from "../ask.js";
import { useSite, useTop } from "../live.js";
import { told } from "../sentences.js";
import { full } from "../times.js";
import { retyped } from "../told_numbers.js";
import { useWords } from "../words.js";
import { ActButton } from "./act_button.js";
import { endMaintenance, withdrawal } from "./entry_acts.js";

const PAUSE_MS = 2_000;
const AGAIN_MS = 20_000;
const TOUCHED_MS = 10 * 60_000;
let touched = Date.now();
for (const what of ["pointerdown", "keydown"]) addEventListener(what, () => (touched = Date.now()), { passive: true });
const isTouched = () => Date.now() - touched < TOUCHED_MS;
export const MAINTENANCE = "maintenance";

/** {document, wrong}: what /api/1/entered tells, asked anew whenever the live view says that something is another. */
export function useEntered() {
  const [known, setKnown] = useState({ document: null, wrong: null });
  // Each a new object where it has changed, and the same where not.
  const entered = useTop("entered");
  const alarms = useTop("alarms");
  // How far a transfer has come is not told here: only that there is one, and where it stands.
  const transfers = (useTop("transfers") ?? []).map(({ number, phase }) => `${number} ${phase}`).join();
  const asked = useRef(-Infinity);
  const alive = useRef(true);
  useEffect(() => () => (alive.current = false), []);
  useEffect(() => {
    const load = () => {
      asked.current = Date.now();
      get("/api/1/entered")
        .then((document) => alive.current && setKnown({ document, wrong: null }))
        .catch((error) => alive.current && setKnown((before) => ({ ...before, wrong: error.sentences ?? [String(error)] })));
    };
    // In a flood something changes several times a second.
    const first = setTimeout(load, Math.max(0, asked.current + PAUSE_MS - Date.now()));
    // What waits for a second person, and days, are not in the live view. A page that nobody touches must not keep a
    // session from ending.
    const timer = setInterval(() => isTouched() && load(), AGAIN_MS);
    return () => {
      clearTimeout(first);
      clearInterval(timer);
    };
  }, [entered, alarms, transfers]);
  return known;
}

export function NotKnown({ wrong }) {
  const word = useWords();
  return html`<p role="status">${wrong ? html`<span class="wrong">✗ ${word("in_force.not_known")} ${wrong.map(told).join("; ")}</span>` : word("page.loading")}</p>`;
}

/** Which instruments somebody works on, in a list of their own. `tank`: only what feeds it. */
export function InMaintenance({ entered: { document, wrong }, tank = "" }) {
  const word = useWords();
  const site = useSite();
  const own = tank ? (site?.tanks[tank]?.fed_by ?? []) : null;
  const all = (document?.entries ?? []).filter((each) => each.quantity === MAINTENANCE);
  const works = all.filter((each) => own === null || own.includes(each.about));
  const elsewhere = all.length - works.length;
  return html`<section aria-labelledby="in-maintenance" class="alarms">
    <h2 id="in-maintenance">${word("in_force.maintenance")} <span class="quiet">${document ? works.length : ""}</span></h2>
    ${wrong || !document ? html`<${NotKnown} wrong=${wrong} />` : null}
    ${document && !all.length ? html`<p class="quiet">${word("in_force.maintenance_none")}</p>` : null}
    ${elsewhere > 0 && html`<p>${word("in_force.maintenance_elsewhere", { count: elsewhere })}</p>`}
    <ul>
      ${works.map(
        (each) => html`<li key=${each.about} class="alarm">
          <h3 class="plain">[ ${each.about} ]</h3>
          <p>${word("in_force.work", { by: each.by, since: full(each.at), until: each.ends ? full(each.ends) : "?" })}${each.why && ` “${each.why}”`}</p>
          <div class="buttons"><${ActButton} action="end-maintenance" label=${word("acts.end-maintenance.open")} about=${each.about} spec=${() => endMaintenance(each.about)} /></div>
        </li>`,
      )}
    </ul>
  </section>`;
}

/** Values by hand and products, of one tank or of all. */
export function InForce({ entered: { document, wrong }, tank = "" }) {
  const word = useWords();
  if (!document) return html`<${NotKnown} wrong=${wrong} />`;
  const values = document.entries.filter((each) => each.quantity !== MAINTENANCE && (!tank || each.about === tank));
  const products = (document.products ?? []).filter((each) => !tank || each.tank === tank);
  return html`${wrong && html`<${NotKnown} wrong=${wrong} />`}
    ${!values.length && !products.length ? html`<p class="quiet">${word("in_force.nothing")}</p>` : null}
    <ul>
      ${values.map((each) => html`<${Value} key=${`${each.about} ${each.quantity}`} each=${each} />`)}
      ${products.map((each) => html`<${Product} key=${each.tank} each=${each} />`)}
    </ul>`;
}

function Value({ each }) {
  const word = useWords();
  const { block } = each;
  const what = word(`quantity.${each.quantity}`);
  const how = ["at", "by"].filter((key) => block[key]).map((key) => `${word(`in_force.${key}`)} ${retyped(block[key])}`);
  return html`<li class="alarm">
    <h3 class="plain">✎ ${each.about} ${what}: ${[retyped(block.value), ...how].join(", ")}</h3>
    <p>${word("in_force.entered", { by: each.by, time: full(block.entered ?? each.at), until: each.ends ? full(each.ends) : "?" })}${each.why && ` “${each.why}”`}</p>
    <p><strong>${word(stateOf(each))}</strong>${(each.trouble || each.other) && `; ${told(each.trouble || each.other)}`}</p>
    <div class="buttons"><${ActButton} action="withdraw" label=${word("acts.withdraw.open")} about=${`${each.about} ${what}`} spec=${() => withdrawal(each.about, each.quantity, retyped(block.value))} /></div>
  </li>`;
}

/** The key of how an entry counts. */
export function stateOf(each) {
  if (each.what === "expired") return each.stands_in ? "in_force.expired" : "in_force.expired_used";
  if (!each.used) return "in_force.not_used";
  return each.stands_in ? "in_force.stands_in" : "in_force.used";
}

function Product({ each }) {
  const word = useWords();
  const changes = each.history.filter(({ by }) => by !== null);
  const last = changes.at(-1);
  return html`<li class="alarm">
    <h3 class="plain">✎ ${each.tank} ${word("quantity.product")}: ${each.history.at(-1)?.product}</h3>
    ${changes.map((change) => html`<p key=${change.since}>${word(change.planned ? "in_force.planned" : "in_force.changed", { product: change.product, time: full(change.since), by: change.by })}${change.why && ` “${change.why}”`}</p>`)}
    ${each.remarks.map((remark) => html`<p key=${remark}>${told(remark)}</p>`)}
    ${last && html`<div class="buttons"><${ActButton} action="withdraw" label=${word("acts.withdraw.open")} about=${`${each.tank} ${word("quantity.product")}`} spec=${() => withdrawal(each.tank, "product", last.product)} /></div>`}
  </li>`;
}
