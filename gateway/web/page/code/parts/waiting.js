// What waits for a second person: who asked for what, what it would do, and what another may say to it.
import { html } from "../html.js";
import { told } from "../sentences.js";
import { useSession } from "../session.js";
import { useStillWaiting } from "../still_waiting.js";
import { full } from "../times.js";
import { useWords, word as said } from "../words.js";
import { actName } from "./act_name.js";
import { ActButton } from "./act_button.js";
import { Ties } from "./ties.js";

/** Nothing where nothing waits. */
export function WaitingForSecond({ entered: { document } }) {
  const word = useWords();
  const { person } = useSession();
  const waiting = useStillWaiting(document?.waiting ?? []);
  if (!waiting.length) return null;
  return html`<section aria-labelledby="second-person">
    <h2 id="second-person">${word("second.title")} <span class="quiet">${waiting.length}</span></h2>
    <ul>
      ${waiting.map((each) => {
        const own = person !== null && human(each.by) === human(person.signature);
        return html`<li key=${each.request} class="alarm">
          <h3 class="plain">${word("second.request", { number: each.request, what: actName(each.asked), by: each.by })}</h3>
          <p>${word("second.times", { at: full(each.at), ends: full(each.ends) })}${each.asked.why && ` “${each.asked.why}”`}</p>
          <ul class="lines">${each.lines.map((line) => html`<li key=${line}>${told(line)}</li>`)}</ul>
          ${own ? html`<p>${word("second.own")}</p>` : html`<${Ties} told=${each} />`}
          <div class="buttons">
            ${!own && !each.in_the_way && html`<${ActButton} action=${each.asked.action} kind="chief" label=${word("acts.approve.open")} about=${String(each.request)} spec=${() => decision("approve", each)} />`}
            <${ActButton} action=${each.asked.action} label=${word(own ? "second.take_back" : "acts.decline.open")} about=${String(each.request)} spec=${() => decision("decline", each)} />
          </div>
        </li>`;
      })}
    </ul>
  </section>`;
}

/** anna of the machine, of the page and of a provider are taken for one, as the gateway takes them. */
function human(signature) {
  return signature.split("@")[0].toLowerCase();
}

function decision(action, { request, by, asked }) {
  const required = action === "decline";
  return {
    action,
    permit: asked.action,
    title: said(`acts.${action}.title`),
    about: said("second.request", { number: request, what: actName(asked), by }),
    effect: said(`acts.${action}.effect`),
    verb: said(`acts.${action}.do`),
    fixed: { request: String(request) },
    fields: [{ name: "why", label: said("field.why"), kind: "long", required, hint: said("field.why_hint") }],
  };
}
