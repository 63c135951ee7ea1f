// Sums with the count that they include, open transfers with their finish, and the next close of the day.
import { html } from "../html.js";
import { way } from "../go.js";
import { row, site, siteNow, tags, useEachSecond, useLink, useTop } from "../live.js";
import { DIMENSIONS, referenceText, shown } from "../numbers.js";
import { useShared } from "../shared.js";
import { taste } from "../taste.js";
import { clock } from "../times.js";
import { useWords } from "../words.js";
import { figureName } from "./figure.js";
import { NotYet } from "./not_yet.js";

/** What all tanks of a product hold, with null of all products: never without saying how many of them are in it, and whether it is estimated. */
export function Totals({ product }) {
  const word = useWords();
  useShared(taste);
  // Of a tank that is late the gateway says so in the sums themselves.
  const old = useLink() !== "live";
  // The gateway has told nothing of them: they are counted nowhere.
  const awaited = useEachSecond(() => tags.value.filter((tag) => row(tag).value === null && (product === null || site.value?.tanks[tag]?.product === product)).length);
  const totals = (useTop("totals") ?? []).filter((each) => each.product === product);
  return html`${totals.map((each) => {
    const value = each.value === null ? { number: word("figure.no_value"), sign: "" } : shown(each.value, DIMENSIONS[each.unit]);
    return html`<span key=${each.figure} class="total small">
      ${figureName(each.figure, each)} <span class=${old ? "struck" : ""}>${value.number}</span> <span class="unit">${value.sign}</span>
      ${each.reference_temperature && html` <span class="unit">${word("figure.at", { temperature: referenceText(each.reference_temperature.value) })}</span>`}
      <span class=${each.included < each.of ? "fresh" : "quiet"}> ${word("totals.included", { included: each.included, of: each.of })}</span>
      ${awaited > 0 && html` <span class="fresh">${word("totals.awaited", { count: awaited })}</span>`}
      ${each.holding > each.of && html` <span>${word("totals.without_figure", { count: each.holding - each.of })}</span>`}
      ${each.estimated && html` <strong>${word("totals.estimated")}</strong>`}
    </span>`;
  })}`;
}

export function OpenTransfers() {
  const word = useWords();
  const open = useTop("transfers");
  const live = useLink() === "live";
  return html`<section aria-labelledby="open-transfers">
    <h2 id="open-transfers">${word("overview.transfers")}</h2>
    ${open === undefined && html`<${NotYet} />`}
    ${open === null && html`<p>${word("transfers.not_kept")}</p>`}
    ${open?.length === 0 ? html`<p class="quiet">${word("overview.no_transfers")}</p>` : null}
    <ul>
      ${open?.map(
        (each) => html`<li key=${each.number} class="open-transfer">
          <a href=${way("transfers")}>${each.number}</a> ${word(`transfer_kind.${each.kind}`)} ${each.tanks.map(({ tank }) => tank).join(" → ")} <strong>${word(`transfer_phase.${each.phase}`)}</strong>
          ${live && each.finish && html` <span>${word("overview.finish", { time: clock(each.finish, siteNow()) })}</span>`}
        </li>`,
      )}
    </ul>
  </section>`;
}

export function NextClose() {
  const word = useWords();
  const next = useTop("next_day_close");
  if (!next) return null;
  return html`<p>${word("overview.next_close", { time: clock(next, siteNow()) })}</p>`;
}
