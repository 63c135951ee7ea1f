// The transfers of one tank: those that are open, and the tickets of the last month.
import { html } from "../../html.js";
import { way } from "../../go.js";
import { siteNow, useTop } from "../../live.js";
import { referenceText, text } from "../../numbers.js";
import { useAsked } from "../../parts/asked.js";
import { Figure, reasonText } from "../../parts/figure.js";
import { Trouble, Waiting } from "../../parts/said.js";
import { told } from "../../sentences.js";
import { clock, full } from "../../times.js";
import { hasWord, word } from "../../words.js";
import { qualityWord } from "./why.js";

const DIMENSIONS = { tov: "volume", gov: "volume", gsv: "volume", nsv: "volume", free_water: "volume" };
const MOST = 10;

export function Transfers({ tag, fixed }) {
  const transfers = useTop("transfers");
  const open = (transfers ?? []).filter((each) => each.tanks.some((side) => side.tank === tag));
  const turn = open.map((each) => each.number).join();
  const { document, error, again } = useAsked("/tickets", turn);
  const tickets = (document?.tickets ?? []).filter((each) => each.sides.some((side) => side.tank === tag)).reverse();
  return html`<section aria-labelledby="tank-transfers">
    <h2 id="tank-transfers">${word("tank.transfers")}</h2>
    ${transfers === null && html`<p>${word("transfers.not_kept")}</p>`}
    ${transfers && open.length === 0 && html`<p class="quiet">${word("tank.no_transfer")}</p>`}
    <ul>
      ${open.map(
        (each) =>
          html`<li key=${each.number}>
            <a class="button" href=${way("transfers", String(each.number))}>${named("transfer_kind", each.kind)} ${each.number}</a>
            ${" "}${[named("transfer_phase", each.phase), word("need.since", { time: clock(each.since, siteNow()) }), each.partner, each.finish && word("overview.finish", { time: clock(each.finish, siteNow()) }), told(each.waits_for)].filter(Boolean).join("; ")}
            ${each.moved && html`<br />${word("tank.moved")} <${Figure} fig=${each.moved} /> ${each.ordered && html`${word("tank.moved_of")} <${Figure} fig=${each.ordered} />`} <span class="quiet">${measureText(each.measure, fixed)}</span>`}
          </li>`,
      )}
    </ul>
    ${error && html`<${Trouble} error=${error} again=${again} about=${word("tank.tickets_not_read")} />`}
    ${!document && !error && html`<${Waiting} about=${word("tank.tickets")} />`}
    ${document &&
    html`<h3>${word("tank.tickets")}</h3>
      ${tickets.length === 0
        ? html`<p class="quiet">${word("tank.no_tickets")}</p>`
        : html`<div class="wide" tabindex="0" role="region" aria-label=${word("tank.tickets")}>
            <table>
              <thead><tr><th scope="col">${word("tank.ticket")}</th><th scope="col">${word("tank.time")}</th><th scope="col">${word("ticket.kind")}</th><th scope="col" class="number">${fixed.reference_temperature ? measureText("gsv", fixed) : word("tank.moved")}</th><th scope="col">${word("tank.quality")}</th></tr></thead>
              <tbody>
                ${tickets.slice(0, MOST).map(
                  (ticket) =>
                    html`<tr key=${ticket.number}>
                      <th scope="row"><a href=${way("transfers", String(ticket.transfer))}>${ticket.number}</a>${ticket.reverses ? ` ${word("ticket.reverses", { number: ticket.reverses })}` : ""}</th>
                      <td>${full(ticket.ended)}</td>
                      <td>${named("transfer_kind", ticket.kind)}</td>
                      <td class="number"><${Moved} moved=${ticket.moved} /></td>
                      <td>${qualityWord(ticket.quality)}${ticket.reasons.length > 0 && html`<span class="small">: ${ticket.reasons.map((reason) => (reason.text ? reasonText(reason) : reason)).join("; ")}</span>`}</td>
                    </tr>`,
                )}
              </tbody>
            </table>
          </div>`}`}
    <p class="quiet small">${word("caution.custody")}</p>
  </section>`;
}

function Moved({ moved }) {
  const [name, figure] = ["gsv", "mass", "tov"].map((each) => [each, moved[each]]).find(([, each]) => each?.value !== null && each?.value !== undefined) ?? [null, null];
  if (!figure) return html`<span class="novalue">${word("figure.no_value")}</span>`;
  return html`${text(figure.value, DIMENSIONS[name] ?? "mass")}${name !== "gsv" ? ` ${named("measure", name)}` : ""}`;
}

/** Standard volumes never without their temperature. */
function measureText(measure, { reference_temperature: reference }) {
  const name = named("measure", measure);
  const atReference = (measure === "gsv" || measure === "nsv") && reference;
  return atReference ? word("measure.at", { measure: name, temperature: referenceText(reference.value) }) : name;
}

function named(group, name) {
  const key = `${group}.${name}`;
  return hasWord(key) ? word(key) : name;
}
