// Reports: choose which, of what, and in which form; what it will hold is said before it is made.
import { html, useState } from "../html.js";
import { useWords } from "../words.js";
import { AsOf, useDocument } from "../parts/document.js";
import { dayBefore, useToday } from "../parts/day_fields.js";
import { FileButton } from "../parts/file_button.js";
import { ReportHolds } from "../parts/report_holds.js";

/** By report: of what it can be, the usual first. */
const KINDS = {
  reconciliation: ["day", "month"],
  stock: ["day"],
  tickets: ["day", "month"],
  ticket: ["ticket"],
  alarms: ["day", "month"],
  changes: ["day", "month"],
  overrides: [],
  dips: ["day", "month"],
};
const FORMS = ["pdf", "xlsx", "csv"];

export function ReportsView({ rest }) {
  const word = useWords();
  const yesterday = dayBefore(useToday(), 1);
  const [kind, setKind] = useState(rest[0] in KINDS ? rest[0] : "reconciliation");
  const [of, setOf] = useState(null);
  const [typed, setTyped] = useState({ day: null, month: null, ticket: rest[1] ?? "" });
  const [form, setForm] = useState("pdf");
  const known = useDocument("/api/1/reports");
  const offered = names(known.document);
  const ways = KINDS[kind];
  const way = ways.includes(of) ? of : (ways[0] ?? null);
  const values = { day: typed.day ?? yesterday ?? "", month: typed.month ?? yesterday?.slice(0, 7) ?? "", ticket: typed.ticket };
  const wanted = way === null ? "" : values[way];
  const isWhole = way === null || Boolean(wanted);
  const query = way === null || !wanted ? "" : `?${way}=${encodeURIComponent(wanted)}`;
  const typing = (name) => (event) => setTyped({ ...typed, [name]: event.target.value });
  return html`
    <h1>${word("way.reports")}</h1>
    <p class="caution">${word("caution.custody")}</p>
    ${known.error && html`<${AsOf} told=${known} />`}
    <form class="report-choice" onSubmit=${(event) => event.preventDefault()}>
      <div class="fields">
        <label>${word("reports.which")}
          <select value=${kind} onChange=${(event) => setKind(event.target.value)}>
            ${Object.keys(KINDS).filter((name) => offered === null || offered.includes(name)).map((name) => html`<option key=${name} value=${name} selected=${name === kind}>${word(`reports.name.${name}`)}</option>`)}
          </select>
        </label>
        ${ways.length > 1 && html`<label>${word("reports.of")}
          <select value=${way} onChange=${(event) => setOf(event.target.value)}>${ways.map((name) => html`<option key=${name} value=${name} selected=${name === way}>${word(`reports.of_${name}`)}</option>`)}</select>
        </label>`}
        ${way === "day" && html`<label>${word("reports.of_day")} <input type="date" value=${values.day} onChange=${typing("day")} /></label>`}
        ${way === "month" && html`<label>${word("reports.of_month")} <input type="month" value=${values.month} onChange=${typing("month")} /></label>`}
        ${way === "ticket" && html`<label>${word("reports.of_ticket")} <input type="text" inputmode="numeric" value=${values.ticket} onInput=${typing("ticket")} /></label>`}
        <label>${word("reports.form")}
          <select value=${form} onChange=${(event) => setForm(event.target.value)}>${FORMS.map((name) => html`<option key=${name} value=${name} selected=${name === form}>${word(`reports.form_${name}`)}</option>`)}</select>
        </label>
      </div>
      <${ReportHolds} kind=${kind} way=${way} wanted=${wanted} form=${form} />
      ${isWhole ? html`<${FileButton} path=${`/api/1/reports/${kind}.${form}${query}`} name=${[kind, wanted].filter(Boolean).join("-")} form=${form} kind="chief" label=${word("reports.download")} />` : html`<p class="wrong">${word("reports.missing")}</p>`}
    </form>
  `;
}

/** The names of the reports that this gateway makes; null where it has not said. */
function names(document) {
  const told = document?.reports;
  return Array.isArray(told) ? told.map((each) => each.name ?? each) : null;
}
