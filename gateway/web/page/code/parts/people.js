// Who may come in: for administrators. A code that is made is shown once, and nobody can look it up again.
import { html, useEffect, useState } from "../html.js";
import { get, post } from "../ask.js";
import { session, useSession } from "../session.js";
import { full } from "../times.js";
import { useWords, word as said } from "../words.js";
import { ActButton } from "./act_button.js";
import { NotKnown } from "./in_force.js";

const ROLES = ["viewer", "operator", "technician", "accountant", "administrator"];
const READ = "read-people";

const roles = () => ROLES.map((role) => [role, `${said(`role.${role}`)}: ${said(`role.${role}.what`)}`]);
const send = (request) => post("/api/1/people", request);

export function People() {
  const word = useWords();
  const { may } = useSession();
  const [known, setKnown] = useState({ document: null, wrong: null });
  const sees = may.includes(READ);
  const load = () =>
    get("/api/1/people")
      .then((document) => setKnown({ document, wrong: null }))
      .catch((error) => setKnown((before) => ({ ...before, wrong: error.sentences })));
  useEffect(() => {
    if (sees) load();
  }, [sees]);
  if (!sees) return null;
  const { document, wrong } = known;
  return html`<section aria-labelledby="people">
    <h2 id="people">${word("people.title")}</h2>
    ${(wrong || !document) && html`<${NotKnown} wrong=${wrong} />`}
    <ul>
      ${document?.people.map(
        (each) => html`<li key=${each.name} class="alarm">
          <h3 class="plain">${each.name} <span class="quiet">${word(`role.${each.role}`)}</span></h3>
          <p>${each.sessions ? word("people.here", { count: each.sessions, time: full(each.last_seen) }) : word("people.away")}</p>
          <div class="buttons">
            <${ActButton} action=${READ} label=${word("people.role.open")} about=${each.name} spec=${() => roleChange(each, load)} />
            <${ActButton} action=${READ} label=${word("people.password.open")} about=${each.name} spec=${() => newPassword(each, load)} />
            <${ActButton} action=${READ} label=${word("people.remove.open")} about=${each.name} spec=${() => removal(each, load)} />
            ${each.sessions > 0 && html`<${ActButton} action=${READ} label=${word("people.end.open")} about=${each.name} spec=${() => ending(each, load)} />`}
          </div>
        </li>`,
      )}
    </ul>
    ${document?.guests?.length > 0 &&
    html`<h3>${word("people.guests")}</h3>
      <ul>
        ${document.guests.map(
          (each) => html`<li key=${each.name} class="alarm">
            <h3 class="plain">${each.name} <span class="quiet">${word(`role.${each.role}`)}</span></h3>
            <p>${each.sessions ? word("people.here", { count: each.sessions, time: full(each.last_seen) }) : word("people.away")}</p>
            <div class="buttons">
              <${ActButton} action=${READ} label=${word("people.forget.open")} about=${each.name} spec=${() => forgetting(each, load)} />
              ${each.sessions > 0 && html`<${ActButton} action=${READ} label=${word("people.end.open")} about=${each.name} spec=${() => ending(each, load)} />`}
            </div>
          </li>`,
        )}
      </ul>`}
    ${document?.codes.map((each) => html`<p key=${each.until + each.name}>${word("people.code_open", { name: each.name ?? word("people.whoever"), role: word(`role.${each.role}`), until: full(each.until), by: each.by })}</p>`)}
    <div class="buttons"><${ActButton} action=${READ} label=${word("people.invite.open")} spec=${() => invitation(load)} /></div>
  </section>`;
}

function spec(action, key, about, more) {
  return { action, permit: READ, untried: true, send, title: said(`people.${key}.title`), about, effect: said(`people.${key}.effect`, { name: about }), verb: said(`people.${key}.do`), ...more };
}

const invitation = (done) =>
  spec("people-invite", "invite", "", {
    done,
    fields: [
      { name: "role", label: said("people.role"), kind: "choice", required: true, options: roles() },
      { name: "name", label: said("people.name"), kind: "code", hint: said("people.name_hint") },
    ],
  });
const newPassword = ({ name }, done) => spec("people-invite", "password", name, { done, fixed: { name } });
const removal = ({ name }, done) =>
  spec("people-remove", "remove", name, { done, fixed: { name }, cautions: name === session.value.person?.name ? [said("people.yourself")] : [] });
const forgetting = ({ name }, done) => spec("people-remove", "forget", name, { done, fixed: { name } });
const ending = ({ name }, done) => spec("people-end-sessions", "end", name, { done, fixed: { name } });
const roleChange = ({ name, role }, done) =>
  spec("people-role", "role", name, { done, fixed: { name }, fields: [{ name: "role", label: said("people.role"), kind: "choice", required: true, initial: role, options: roles() }] });
