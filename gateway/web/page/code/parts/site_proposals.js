// What is proposed, for whoever is to approve it; and the site file as it was before.
import { html, useState } from "../html.js";
import { get } from "../ask.js";
import { useSession } from "../session.js";
import { useStillWaiting } from "../still_waiting.js";
import { full } from "../times.js";
import { useWords, word } from "../words.js";
import { ActButton } from "./act_button.js";
import { useOnce } from "./once.js";
import { ProposedTable } from "./site_table.js";
import { Ties, tiesText } from "./ties.js";
import { LONGEST_MS, PERMIT, approval, refusal, wayBack } from "./site_acts.js";
import { Check, Difference } from "./site_check.js";

export function Proposals({ page, reload }) {
  const said = useWords();
  const waiting = useStillWaiting(page.proposals.filter((each) => each.state === "waits"));
  const decided = page.proposals.filter((each) => each.state !== "waits");
  return html`<section aria-labelledby="site-proposals">
    <h2 id="site-proposals">${said("site.proposals")}</h2>
    ${waiting.length === 0 && html`<p>${said("site.none_waits")}</p>`}
    <ul>${waiting.map((each) => html`<li key=${each.number}><${Waiting} proposal=${each} page=${page} reload=${reload} /></li>`)}</ul>
    ${decided.length > 0 &&
    html`<details><summary>${said("site.decided", { count: decided.length })}</summary><ul class="lines">
      ${decided.map((each) => html`<li key=${each.number}>${said("site.proposal", each)}: ${word(`site.state.${each.state}`)}. ${said("changes.why", each)} ${each.said && html`<span>${each.said}</span>`}</li>`)}
    </ul></details>`}
  </section>`;
}

/** As the gateway has it: two ways to sign in are not yet two people. */
const humanOf = (name) => name.split("@")[0].toLowerCase();

function Waiting({ proposal, page, reload }) {
  const said = useWords();
  const { person } = useSession();
  const [whole, setWhole] = useState(null);
  const [wrong, once, busy] = useOnce();
  const look = () => once(async () => setWhole(await get(`/api/1/site-file/proposals/${proposal.number}`, { longestMs: LONGEST_MS })));
  const isOwn = humanOf(person?.name ?? "") === humanOf(proposal.by);
  return html`<article class="site-proposal" aria-label=${said("site.proposal", proposal)}>
    <h3>${said("site.proposal", proposal)} ${proposal.version > 0 && html`<span class="quiet">${said("site.goes_back", proposal)}</span>`}</h3>
    <p>${said("changes.why", proposal)}</p>
    <p class="small">${said("site.waits_until", { at: full(proposal.at), ends: full(proposal.ends) })}</p>
    ${!proposal.fits && html`<p class="wrong" role="alert">${said("site.does_not_fit")}</p>`}
    ${proposal.said && html`<p class="wrong">${said("site.stood_in_way")} ${proposal.said}</p>`}
    ${proposal.tables.length > 0 && html`<p>${said("site.with_tables")} ${proposal.tables.map((each) => html`<code key=${each.name}>${each.name}</code> `)}</p>`}
    ${whole && html`<h4>${said("site.compare")}</h4><${Difference} before=${page.on_disk.text ?? ""} after=${whole.text} /><${Check} check=${whole.check} />${whole.new_tables.map((each) => html`<${ProposedTable} key=${each.name} table=${each} />`)}`}
    ${wrong.length > 0 && html`<div class="wrong" role="alert">${wrong.map((each) => html`<p key=${each}>${each}</p>`)}</div>`}
    ${isOwn ? html`<p class="small">${said("site.own")}</p>` : whole && html`<${Ties} told=${whole} />`}
    <div class="buttons">
      ${!whole && html`<button type="button" class="chief" aria-disabled=${busy ? "true" : undefined} onClick=${look}>${said(busy ? "site.checking" : "site.look")}</button>`}
      ${whole?.check.well && !isOwn && !whole.in_the_way && proposal.fits && page.may_write && html`<${ActButton} action=${PERMIT} kind="chief" label=${said("site.approve.open")} spec=${() => approval(proposal, reload, tiesText(whole.ties, said))} />`}
      <${ActButton} action=${PERMIT} label=${said(isOwn ? "site.take_back" : "site.decline.open")} spec=${() => refusal(proposal, reload)} />
    </div>
  </article>`;
}

export function Versions({ page, reload }) {
  const said = useWords();
  return html`<section aria-labelledby="site-versions">
    <h2 id="site-versions">${said("site.versions")}</h2>
    ${page.versions.length === 0 && html`<p>${said("site.no_versions")}</p>`}
    <ul>${page.versions.map((each) => html`<li key=${each.number}><${Kept} version=${each} page=${page} reload=${reload} /></li>`)}</ul>
  </section>`;
}

function Kept({ version, page, reload }) {
  const said = useWords();
  const [text, setText] = useState(null);
  const [wrong, once] = useOnce();
  const look = () => once(async () => setText((await get(`/api/1/site-file/versions/${version.number}`)).text));
  const isSame = version.sha256 === page.on_disk.sha256;
  return html`<article class="site-version" aria-label=${said("site.version", { number: version.number, time: full(version.kept_at) })}>
    <p>${said("site.version", { number: version.number, time: full(version.kept_at) })}. ${said("site.replaced_by", { by: version.replaced_by })} ${said("changes.why", version)} <span class="quiet small" title=${version.sha256}>${version.sha256.slice(0, 12)}</span> ${isSame && html`<strong>${said("site.lies_there")}</strong>`}</p>
    ${text !== null && html`<h4>${said("site.compare_back")}</h4><${Difference} before=${page.on_disk.text ?? ""} after=${text} />`}
    ${wrong.length > 0 && html`<p class="wrong" role="alert">${wrong.join("; ")}</p>`}
    <div class="buttons">
      ${text === null && html`<button type="button" onClick=${look}>${said("site.compare")}<span class="unseen"> ${version.number}</span></button>`}
      ${!isSame && page.may_write && html`<${ActButton} action=${PERMIT} label=${said("site.back.open")} about=${String(version.number)} spec=${() => wayBack({ ...version, kept_at: full(version.kept_at) }, reload)} />`}
    </div>
  </article>`;
}
