// Who has access, to be read: changed it is under one's own settings, by administrators.
import { html } from "../html.js";
import { way } from "../go.js";
import { useSession } from "../session.js";
import { full } from "../times.js";
import { useWords } from "../words.js";
import { AsOf, useDocument } from "./document.js";
import { PlainTable } from "./plain_table.js";

const NAMES = ["name", "role", "since", "seen", "sessions"];
const VIEWERS = { "this machine": "gateway.views_local", everybody: "gateway.views_everybody", nobody: "gateway.views_nobody" };

export function WhoHasAccess({ document }) {
  const word = useWords();
  const { may } = useSession();
  return html`<section aria-labelledby="gateway-access">
    <h2 id="gateway-access">${word("gateway.access")}</h2>
    <p>${word(VIEWERS[document.view_without_sign_in])} ${word("gateway.no_default")}</p>
    ${may.includes("read-people") ? html`<${Who} />` : html`<p>${word("gateway.access_administrators")} <a href=${way("person")}>${word("way.person")}</a></p>`}
  </section>`;
}

function Who() {
  const word = useWords();
  const told = useDocument("/api/1/people");
  const { document } = told;
  const time = (text) => (text ? full(text) : word("people.away"));
  if (!document) return html`<${AsOf} told=${told} />`;
  const rows = document.people.map((each) => ({
    key: each.name,
    cells: { name: each.name, role: word(`role.${each.role}`), since: full(each.password_since), seen: time(each.last_seen), sessions: String(each.sessions) },
  }));
  return html`<${PlainTable} label=${word("gateway.access")} rows=${rows} columns=${NAMES.map((name) => ({ name, title: word(`gateway.person.${name}`), number: name === "sessions" }))} />
    ${document.codes.map((each) => html`<p key=${each.until}>${word("people.code_open", { name: each.name ?? word("people.whoever"), role: word(`role.${each.role}`), until: full(each.until), by: each.by })}</p>`)}
    <p><a href=${way("person")}>${word("way.person")}</a></p>`;
}
