// Which density each tank is reckoned by, since when, until when, and who said so.
import { html, useEffect, useState } from "../html.js";
import { get } from "../ask.js";
import { way } from "../go.js";
import { useSite, useTags, useTop } from "../live.js";
import { decimal, referenceText, sign, written } from "../numbers.js";
import { full } from "../times.js";
import { told } from "../sentences.js";
import { useWords } from "../words.js";
import { codeWord } from "./account_figures.js";
import { Sentences } from "./document.js";

const AT_ONCE = 4;

export function DensitiesPart() {
  const word = useWords();
  const present = useTags();
  const plans = usePlans(present);
  const entered = (useTop("entered") ?? []).filter((each) => /density/.test(each.quantity));
  return html`<section aria-labelledby="densities">
    <h2 id="densities">${word("stock.part.densities")}</h2>
    <p>${word("densities.means")}</p>
    ${entered.length > 0 &&
    html`<h3>${word("densities.entered")}</h3>
      <ul class="doubts">${entered.map((each) => html`<li key=${each.text}>${each.about}: ${told(each.text)}${!each.used && html` <strong>${word("densities.not_used")}</strong>`}</li>`)}</ul>`}
    <div class="wide" tabindex="0" role="group" aria-label=${word("stock.part.densities")}><table class="stacked">
      <thead><tr>${["tank", "product", "value", "at", "since", "until", "from"].map((name) => html`<th key=${name} scope="col" class=${name === "value" ? "number" : ""}>${word(`densities.${name}`)}${name === "value" && html` <span class="unit">${sign("density")}</span>`}</th>`)}</tr></thead>
      <tbody>${present.map((tag) => html`<${Rows} key=${tag} tag=${tag} told=${plans[tag]} entered=${entered} />`)}</tbody>
    </table></div>
    <p class="onscreen"><a class="button" href=${way("changes")}>${word("densities.before")}</a></p>
  </section>`;
}

function Rows({ tag, told, entered }) {
  const word = useWords();
  const fixed = useSite()?.tanks?.[tag];
  const product = told?.plan?.product ?? fixed?.product ?? "";
  if (!told) return html`<tr><th scope="row">${tag}</th><td>${product}</td><td colspan="5" class="quiet">${word("document.asked")}</td></tr>`;
  if (told.error) return html`<tr><th scope="row">${tag}</th><td>${product}</td><td colspan="5"><${Sentences} error=${told.error} /></td></tr>`;
  const { density, reference_temperature: reference } = told.plan;
  if (density.length === 0) return html`<tr><th scope="row">${tag}</th><td data-name=${word("densities.product")}>${product}</td><td colspan="5">${word("densities.none")}</td></tr>`;
  return html`${density.map((each, index) => {
    const said = entered.find(({ about, used }) => used && (about === tag || about === product));
    return html`<tr key=${index}>
      <th scope="row"><a href=${way("tank", tag)}>${tag}</a></th>
      <td data-name=${word("densities.product")}>${product}</td>
      <td data-name=${`${word("densities.value")} ${sign("density")}`} class="number"><span class="figure">${written(decimal(each.value, "density"))}</span></td>
      <td data-name=${word("densities.at")}>${each.at === "reference" ? referenceText(reference?.value ?? null) : word("densities.at_tank")}</td>
      <td data-name=${word("densities.since")}>${each.entered ? full(each.entered) : word("account.not_known")}</td>
      <td data-name=${word("densities.until")}>${each.expires ? full(each.expires) : word("densities.no_end")}</td>
      <td data-name=${word("densities.from")}>${[codeWord("density_origin", each.origin), each.how, said?.text].filter(Boolean).join("; ")}</td>
    </tr>`;
  })}`;
}

/** By tank: {plan} of /api/1/tanks/{tank}, or {error}; a few are asked for at once. */
function usePlans(present) {
  const [plans, set] = useState({});
  const wanted = present.join("\n");
  useEffect(() => {
    let gone = false;
    const waiting = wanted ? wanted.split("\n") : [];
    const work = async () => {
      for (let tag = waiting.shift(); tag !== undefined && !gone; tag = waiting.shift()) {
        let told;
        try {
          told = { plan: (await get(`/api/1/tanks/${encodeURIComponent(tag)}`)).plan };
        } catch (error) {
          told = { error };
        }
        const name = tag;
        if (!gone) set((before) => ({ ...before, [name]: told }));
      }
    };
    for (let count = 0; count < AT_ONCE; count += 1) work();
    return () => {
      gone = true;
    };
  }, [wanted]);
  return plans;
}
