// The site file: what is in force, what is proposed, what it would change, and what it was before. For administrators.
import { html } from "../html.js";
import { way } from "../go.js";
import { useSite } from "../live.js";
import { AsOf, useDocument } from "../parts/document.js";
import { PERMIT, cautions } from "../parts/site_acts.js";
import { Difference } from "../parts/site_check.js";
import { Proposals, Versions } from "../parts/site_proposals.js";
import { SiteTable } from "../parts/site_table.js";
import { SiteText } from "../parts/site_text.js";
import { useSession } from "../session.js";
import { full } from "../times.js";
import { useWords } from "../words.js";

const AGAIN_MS = 30_000;

export function SiteView() {
  const word = useWords();
  const { person, may } = useSession();
  if (may.includes(PERMIT)) return html`<${Desk} key=${person.name} />`;
  return html`<div>
    <h1>${word("way.site")}</h1>
    <p>${word(person ? "site.not_for" : "site.signed_in")} ${!person && html`<a href=${way("person")}>${word("strip.sign_in")}</a>`}</p>
  </div>`;
}

function Desk() {
  const word = useWords();
  const site = useSite();
  const told = useDocument("/api/1/site-file", { everyMs: AGAIN_MS });
  const page = told.document;
  return html`<div class="site">
    <h1>${word("way.site")}</h1>
    <${AsOf} told=${told} />
    ${page && html`<${InForce} page=${page} />`}
    ${page && html`<${Proposals} page=${page} reload=${told.reload} />`}
    ${page && html`<ul class="cautions">${cautions().map((each) => html`<li key=${each}>⚠ ${each}</li>`)}</ul>`}
    ${page && page.on_disk.text !== null && html`<${SiteText} page=${page} reload=${told.reload} />`}
    ${page && page.on_disk.text !== null && html`<${SiteTable} page=${page} tanks=${Object.keys(site?.tanks ?? {})} />`}
    ${page && html`<${Beside} page=${page} />`}
    ${page && html`<${Versions} page=${page} reload=${told.reload} />`}
  </div>`;
}

function InForce({ page }) {
  const word = useWords();
  const { in_force: now, on_disk: disk } = page;
  return html`<section aria-labelledby="site-force">
    <h2 id="site-force">${word("site.in_force")}</h2>
    <p><code>${page.path}</code> <span class="quiet small" title=${now.sha256}>${now.sha256.slice(0, 12)}</span></p>
    <p>${word("site.since", { time: full(now.since) })} ${now.by ? word("site.change_of", { by: now.by, other: now.approved_by }) : word("site.by_hand")} ${now.why && word("changes.why", { why: now.why })}</p>
    ${!page.is_settled && html`<p class="wrong" role="alert">${word("site.not_settled")}</p>`}
    ${!page.may_write && html`<div role="status"><p><strong>${word("site.may_not_write")}</strong> ${page.trouble}</p><p>→ ${page.hint}</p></div>`}
    ${disk.trouble && disk.trouble !== page.trouble && html`<p class="wrong" role="alert">${disk.trouble}</p>`}
    ${disk.differs &&
    html`<div class="wrong" role="alert"><p><strong>${word("site.differs")}</strong></p></div>
      <details><summary>${word("site.compare_force")}</summary><${Difference} before=${now.text} after=${disk.text ?? ""} /></details>`}
    ${disk.text === null && html`<details><summary>${word("site.show_text")}</summary><pre class="pasted wide" tabindex="0">${now.text}</pre></details>`}
  </section>`;
}

function Beside({ page }) {
  const word = useWords();
  if (page.beside.length === 0) return null;
  return html`<section aria-labelledby="site-beside">
    <h2 id="site-beside">${word("site.beside")}</h2>
    <div class="wide"><table>
      <thead><tr><th scope="col">${word("site.file")}</th><th scope="col" class="number">${word("site.bytes")}</th><th scope="col">SHA-256</th><th scope="col">${word("site.on_disk")}</th></tr></thead>
      <tbody>${page.beside.map(
        (each) => html`<tr key=${each.name}><th scope="row"><code>${each.name}</code></th><td class="number">${each.size}</td><td><code title=${each.sha256}>${each.sha256.slice(0, 12)}</code></td>
          <td>${each.differs ? html`<strong class="wrong">${word("site.beside_differs")}</strong>` : word("site.beside_same")}</td></tr>`,
      )}</tbody>
    </table></div>
  </section>`;
}
