// For the auditor: what this is not, whether the audit trail is whole, how alarms were answered to, gauges against dips.
import { html, useState } from "../html.js";
import { way } from "../go.js";
import { useSite } from "../live.js";
import { told as spoken } from "../sentences.js";
import { locale } from "../taste.js";
import { full, span } from "../times.js";
import { useWords } from "../words.js";
import { alarmNameOf, placeName } from "./alarm_words.js";
import { DipRecord } from "./dip_record.js";
import { AsOf, useDocument } from "./document.js";
import { PriorityMark } from "./mark.js";
import { PlainTable } from "./plain_table.js";

const NAMES = ["raised", "place", "alarm", "acknowledged", "took", "by", "returned"];
/** Common practice: what one operator bears, and a flood. */
const BORNE_AN_HOUR = 6;
const FLOOD = 10;

export function Evidence() {
  const word = useWords();
  return html`<section aria-labelledby="evidence-not">
      <h2 id="evidence-not">${word("evidence.overfill")}</h2>
      <p><strong>${word("evidence.not_this")}</strong> ${word("caution.monitoring")}</p>
      <p>${word("evidence.not_known")}</p>
    </section>
    <${Chain} />
    <${Alarms} />
    <${Dips} />
    <section aria-labelledby="evidence-changes">
      <h2 id="evidence-changes">${word("evidence.changes")}</h2>
      <p>${word("evidence.changes_where")} <a href=${way("changes")}>${word("way.changes")}</a></p>
    </section>`;
}

/** Of one tank after the other: those of all would be long. */
function Dips() {
  const word = useWords();
  const tags = Object.keys(useSite()?.tanks ?? {});
  const [chosen, choose] = useState(null);
  const tag = chosen ?? tags[0];
  if (tag === undefined) return null;
  return html`<section aria-labelledby="evidence-dips">
    <h2 id="evidence-dips">${word("evidence.dips")}</h2>
    <p class="small">${word("evidence.dips_how")} <code>tank-gateway report dips</code></p>
    <div class="fields"><label>${word("evidence.tank")} <select value=${tag} onChange=${(event) => choose(event.target.value)}>${tags.map((each) => html`<option key=${each} value=${each} selected=${each === tag}>${each}</option>`)}</select></label></div>
    <${DipRecord} key=${tag} tag=${tag} />
  </section>`;
}

function Chain() {
  const word = useWords();
  const told = useDocument("/api/1/chain");
  const { document } = told;
  return html`<section aria-labelledby="evidence-chain">
    <h2 id="evidence-chain">${word("evidence.chain")}</h2>
    <${AsOf} told=${told} />
    ${document && (document.broken ? html`<p role="alert"><${PriorityMark} priority="now" /> <strong>${word("evidence.broken", { number: document.broken.number })}</strong> ${spoken(document.broken.trouble)}</p>` : html`<p><strong>${document.newest ? word("evidence.whole", { number: document.newest.number, time: full(document.time) }) : word("evidence.empty")}</strong></p>`)}
    ${document?.newest && html`<p>${word("evidence.newest", { number: document.newest.number, time: full(document.newest.time) })} <code class="long">${document.newest.hash}</code></p>`}
    <p class="small">${word("evidence.chain_end")}</p>
  </section>`;
}

function Alarms() {
  const word = useWords();
  const told = useDocument("/api/1/alarm-times");
  const { document } = told;
  return html`<section aria-labelledby="evidence-alarms">
    <h2 id="evidence-alarms">${word("evidence.alarms")}</h2>
    <${AsOf} told=${told} />
    ${document && html`<${Times} document=${document} />`}
  </section>`;
}

function Times({ document }) {
  const word = useWords();
  const { rates, alarms } = document;
  // A few in a week are not none.
  const number = new Intl.NumberFormat(locale(), { maximumFractionDigits: rates.an_hour < 1 ? 2 : 1 });
  const answered = (seconds) => (seconds === null ? word("evidence.nobody") : span(seconds));
  const isMany = rates.an_hour > BORNE_AN_HOUR || rates.most_in_ten_minutes > FLOOD;
  const rows = alarms.map((each) => ({
    key: `${each.tank} ${each.alarm} ${each.raised}`,
    cells: {
      raised: html`<time datetime=${each.raised}>${full(each.raised)}</time>`,
      place: placeName(each.tank),
      alarm: alarmNameOf(each.alarm),
      acknowledged: each.acknowledged ? full(each.acknowledged) : each.escalated ? html`<strong>${word("evidence.escalated", { time: full(each.escalated) })}</strong>` : word("evidence.not_yet"),
      took: each.answered_s === null ? "" : html`<strong>${span(each.answered_s)}</strong>`,
      by: each.by,
      returned: each.returned ? full(each.returned) : word("evidence.not_over"),
    },
  }));
  return html`
    <p>${word("evidence.from", { from: full(document.from), until: full(document.until) })} ${document.since_first_record && html`<strong>${word("evidence.kept_from")}</strong>`}</p>
    ${!document.complete && html`<p role="alert"><strong>${word("account.not_all")}</strong></p>`}
    <dl class="said">
      <div><dt>${word("evidence.raised")}</dt><dd>${rates.raised}</dd></div>
      <div><dt>${word("evidence.acknowledged")}</dt><dd>${rates.acknowledged}</dd></div>
      <div><dt>${word("evidence.median")}</dt><dd>${answered(rates.median_s)}</dd></div>
      <div><dt>${word("evidence.longest")}</dt><dd>${answered(rates.longest_s)}</dd></div>
      <div><dt>${word("evidence.late")}</dt><dd>${rates.escalated}</dd></div>
      <div><dt>${word("evidence.an_hour")}</dt><dd>${rates.an_hour === null ? word("evidence.too_short") : number.format(rates.an_hour)}</dd></div>
      <div><dt>${word("evidence.ten_minutes")}</dt><dd>${rates.most_in_ten_minutes}</dd></div>
    </dl>
    <p class="small">${isMany && html`<${PriorityMark} priority="look" /> `}${word("evidence.rates", { hour: BORNE_AN_HOUR, flood: FLOOD })}</p>
    ${rows.length === 0 ? html`<p>${word("evidence.no_alarms")}</p>` : html`<${PlainTable} label=${word("evidence.alarms")} rows=${rows} columns=${NAMES.map((name) => ({ name, title: word(`evidence.head.${name}`) }))} />`}
  `;
}
