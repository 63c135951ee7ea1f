// What the gateway is and does on the network: what it sends to devices, ports, destinations, versions, certificates.
import { html } from "../html.js";
import { told as spoken } from "../sentences.js";
import { full, span } from "../times.js";
import { written } from "../numbers.js";
import { useWords } from "../words.js";
import { AsOf, useDocument, useIsOld } from "./document.js";
import { PriorityMark } from "./mark.js";
import { PlainTable } from "./plain_table.js";
import { Restore } from "./restore.js";
import { WhoHasAccess } from "./who_has_access.js";

const AGAIN_MS = 10_000;
/** Those that read, by the Modbus Application Protocol. */
const READS = ["1", "2", "3", "4"];
const SOON_S = 30 * 86_400;

export function GatewayItself() {
  const told = useDocument("/api/1/gateway", { everyMs: AGAIN_MS });
  const old = useIsOld(told);
  const { document } = told;
  return html`<div>
    <${AsOf} told=${told} />
    ${document && html`<div class=${old ? "old" : ""}>
      <${Writes} sent=${document} />
      <${Ports} document=${document} />
      <${Destinations} destinations=${document.destinations} />
      <${Restore} ledger=${document.ledger} />
      <${WhoHasAccess} document=${document} />
      <${Certificates} certificates=${document.certificates} tls=${document.tls} />
      <${Versions} versions=${document.versions} />
    </div>`}
  </div>`;
}

function Writes({ sent: { writes } }) {
  const word = useWords();
  const all = {};
  for (const { functions } of writes.lines) for (const [code, count] of Object.entries(functions)) all[code] = (all[code] ?? 0) + count;
  const codes = Object.keys(all);
  const others = codes.filter((code) => !READS.includes(code));
  const columns = [
    { name: "line", title: word("gateway.line") },
    { name: "since", title: word("gateway.since") },
    ...codes.map((code) => ({ name: code, title: codeName(word, code), number: true })),
  ];
  const rows = writes.lines.map(({ line, path, since, functions }) => ({
    key: line,
    cells: { line: html`${line} <span class="quiet small">${path}</span>`, since: since ? full(since) : word("gateway.not_known"), ...Object.fromEntries(codes.map((code) => [code, counted(functions[code] ?? 0)])) },
  }));
  return html`<section aria-labelledby="gateway-writes">
    <h2 id="gateway-writes">${word("gateway.writes")}</h2>
    <p><strong>${word("gateway.writes_no")}</strong> ${word("gateway.writes_why")}</p>
    ${others.length > 0 && html`<p role="alert"><${PriorityMark} priority="now" /> ${word("gateway.writes_other", { codes: others.join(", ") })}</p>`}
    <p>${codes.length === 0 ? word("gateway.nothing_sent") : word("gateway.sent", { count: counted(Object.values(all).reduce((sum, each) => sum + each, 0)), codes: codes.join(", ") })}</p>
    ${rows.length > 0 && html`<${PlainTable} label=${word("gateway.writes")} columns=${columns} rows=${rows} />`}
    ${writes.others.length > 0 && html`<p class="small">${word("gateway.other_sources", { names: writes.others.join(", ") })}</p>`}
    <p class="small quiet">${word("gateway.capture")}</p>
  </section>`;
}

const codeName = (word, code) => (READS.includes(code) ? word(`gateway.function.${code}`) : word("gateway.function.other", { code }));
const counted = (number) => written(String(number));

function Ports({ document }) {
  const word = useWords();
  const { listens, leads } = document;
  return html`<section aria-labelledby="gateway-ports">
    <h2 id="gateway-ports">${word("gateway.ports")}</h2>
    ${listens === null
      ? html`<p>${word("gateway.ports_unknown")}</p>`
      : html`<p>${word(listens.length ? "gateway.ports_how" : "gateway.ports_none")}</p>
          <ul>${listens.map(({ address, port, what, name }) => html`<li key=${`${address} ${port}`}>
            <code>${address.includes(":") ? `[${address}]` : address}:${port}</code> TCP:
            ${" "}${listener(word, document, what, name)}${reach(word, address)}
          </li>`)}</ul>`}
    <p class="small quiet">${word("gateway.door")}</p>
    <h3>${word("gateway.leads")}</h3>
    <${PlainTable}
      label=${word("gateway.leads")}
      columns=${["name", "what", "to"].map((name) => ({ name, title: word(`gateway.lead.${name}`) }))}
      rows=${leads.map(({ name, what, to }) => ({ key: `${what} ${name} ${to}`, cells: { name, what: word(`gateway.lead_to.${what}`), to: to ? html`<code>${to}</code>` : word("gateway.no_address") } }))}
    />
  </section>`;
}

function listener(word, document, what, name) {
  if (what === "page") return word(document.tls ? "gateway.port_page_tls" : "gateway.port_page");
  return what === "destination" ? word("gateway.port_serves", { name }) : html`<${PriorityMark} priority="look" /> ${word("gateway.port_unknown")}`;
}

/** From where a port can be reached. */
function reach(word, address) {
  if (address === "0.0.0.0" || address === "::") return `, ${word("gateway.every_address")}`;
  return address.startsWith("127.") || address === "::1" ? `, ${word("gateway.this_machine")}` : "";
}

function Destinations({ destinations }) {
  const word = useWords();
  const names = ["destination", "state", "waiting", "oldest", "left", "lost"];
  const rows = destinations.map((each) => ({
    key: each.destination,
    cells: {
      destination: each.destination,
      state: html`${each.connected ? word("lines.connected") : html`<strong>${word("lines.lost")}</strong>`}${each.troubles.map((text) => html`<br key=${text} /><strong>${spoken(text)}</strong>`)}${each.clients.map((client) => html`<br key=${client.address} />${word("gateway.reads", { who: [client.name, client.address].filter(Boolean).join(" "), since: full(client.since) })} ${client.refused && html`<strong>${spoken(client.refused)}</strong>`}`)}`,
      waiting: each.waiting === null ? word("gateway.takes_no_history") : counted(each.waiting),
      oldest: each.oldest_s === null ? "" : span(each.oldest_s),
      left: each.waiting === null ? "" : each.buffer_left_s === null ? word("gateway.left_unknown") : html`<strong>${span(each.buffer_left_s)}</strong>`,
      lost: counted(each.lost),
    },
  }));
  return html`<section aria-labelledby="gateway-destinations">
    <h2 id="gateway-destinations">${word("gateway.destinations")}</h2>
    <p>${word("gateway.destinations_how")}</p>
    ${rows.length === 0
      ? html`<p>${word("gateway.destinations_none")}</p>`
      : html`<${PlainTable} label=${word("gateway.destinations")} rows=${rows} columns=${names.map((name) => ({ name, title: word(`gateway.destination.${name}`), number: name === "waiting" || name === "lost" }))} />`}
  </section>`;
}

function Certificates({ certificates, tls }) {
  const word = useWords();
  const priority = (left) => (left === null || left > SOON_S ? null : left <= 0 ? "now" : "soon");
  return html`<section aria-labelledby="gateway-certificates">
    <h2 id="gateway-certificates">${word("gateway.certificates")}</h2>
    ${!tls && html`<p>${word("gateway.no_tls")}</p>`}
    <ul>${certificates.map(({ of, file, until, left_s: left, trouble }) => html`<li key=${`${of} ${file}`}>
      ${priority(left) && html`<${PriorityMark} priority=${priority(left)} /> `}
      <strong>${of === "page" ? word("gateway.of_page") : of}</strong> <code>${file}</code>:
      ${" "}${until === null ? html`<strong>${word("gateway.end_unknown", { trouble: spoken(trouble) })}</strong>` : left <= 0 ? html`<strong>${word("gateway.ended", { time: full(until) })}</strong>` : word("gateway.ends", { time: full(until), left: span(left) })}
    </li>`)}</ul>
    ${certificates.length === 0 && html`<p>${word("gateway.certificates_none")}</p>`}
  </section>`;
}

function Versions({ versions }) {
  const word = useWords();
  return html`<section aria-labelledby="gateway-versions">
    <h2 id="gateway-versions">${word("gateway.versions")}</h2>
    <dl class="said">
      ${["gateway", "python", "sqlite", "tls", "system", "boot"].filter((name) => versions[name]).map((name) => html`<div key=${name}><dt>${word(`gateway.version.${name}`)}</dt><dd>${versions[name]}</dd></div>`)}
      <div><dt>${word("gateway.version.started")}</dt><dd><time datetime=${versions.started}>${full(versions.started)}</time></dd></div>
    </dl>
    ${!versions.system && html`<p class="small">${word("gateway.versions_signed_in")}</p>`}
  </section>`;
}
