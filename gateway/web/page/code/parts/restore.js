// If the machine is lost: what brings it back, and from when the last copy is.
import { html } from "../html.js";
import { told as spoken } from "../sentences.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { PriorityMark } from "./mark.js";
import { written } from "../numbers.js";

const MB = 1e6;

export function Restore({ ledger }) {
  const word = useWords();
  return html`<section aria-labelledby="gateway-restore">
    <h2 id="gateway-restore">${word("gateway.restore")}</h2>
    <p>${word("gateway.restore_what")}</p>
    <ol class="steps">
      <li>${word("gateway.restore_copy")} <code>tank-gateway ledger backup SITE.yaml --out COPY.ledger</code></li>
      <li>${word("gateway.restore_site")}</li>
      <li>${word("gateway.restore_back")}</li>
      <li>${word("gateway.restore_check")} <code>tank-gateway ledger verify SITE.yaml</code></li>
    </ol>
    ${ledger === null ? html`<p><${PriorityMark} priority="look" /> ${word("gateway.no_ledger")}</p>` : html`<${Kept} ledger=${ledger} />`}
  </section>`;
}

function Kept({ ledger }) {
  const word = useWords();
  const { copied } = ledger;
  const size = (bytes) => `${written((bytes / MB).toFixed(1))} MB`;
  return html`
    ${ledger.trouble && html`<p role="alert"><${PriorityMark} priority="now" /> ${spoken(ledger.trouble)}</p>`}
    <p>${word("gateway.ledger", { file: ledger.file, size: size(ledger.size_bytes), oldest: ledger.oldest ? full(ledger.oldest) : word("gateway.not_known") })}</p>
    <p>${
      copied
        ? html`${word("gateway.copied", { time: full(copied.time), file: copied.file, size: size(copied.size_bytes) })}`
        : html`<${PriorityMark} priority="look" /> <strong>${ledger.copied_trouble ? word("gateway.copied_unknown", { trouble: ledger.copied_trouble }) : word("gateway.copied_none")}</strong>`
    }</p>
    <p class="small quiet">${word("gateway.copied_how")}</p>
  `;
}
