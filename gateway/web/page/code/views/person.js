// Whoever reads this: signing in and out, joining by a one-time code, and how they want to see things on this device.
import { html, useState } from "../html.js";
import { AskError } from "../ask.js";
import { DialogButton } from "../parts/act_button.js";
import { Field } from "../parts/fields.js";
import { Tastes } from "../parts/foot.js";
import { People } from "../parts/people.js";
import { SignIn } from "../parts/sign_in.js";
import { restart } from "../live.js";
import { useShared } from "../shared.js";
import { full } from "../times.js";
import { change, taste } from "../taste.js";
import { changePassword, join, signOut, stillIn, useSession } from "../session.js";
import { useWords } from "../words.js";
import { useOnce } from "../parts/once.js";

export function PersonView() {
  const word = useWords();
  const { person, view_without_sign_in: openToAll, trouble } = useSession();
  return html`<h1>${word("way.person")}</h1>
    ${trouble && html`<p class="wrong" role="alert">✗ ${trouble}</p>`}
    ${person ? html`<${SignedIn} person=${person} />` : html`<${Nobody} openToAll=${openToAll} />`}
    <section aria-labelledby="own-tastes">
      <h2 id="own-tastes">${word("person.tastes")}</h2>
      <p class="quiet small">${word("person.tastes_where")}</p>
      <${Tastes} />
      <${NumberForm} />
    </section>
    <${People} />`;
}

const FORMS = ["en-GB", "en-US", "de-DE", "de-CH", "fr-FR", "en-IN", "sv-SE"];

/** How numbers and dates are written: shown by one of each. */
function NumberForm() {
  const word = useWords();
  const own = useShared(taste);
  const told = (form) => `${new Intl.NumberFormat(form).format(1234567.8)}; ${new Intl.DateTimeFormat(form, { dateStyle: "medium", timeZone: "UTC" }).format(Date.UTC(2026, 10, 28))}`;
  return html`<label>
    ${word("taste.numbers")} <select onChange=${(event) => change({ numbers: event.target.value })}>
      <option value="" selected=${!own.numbers}>${word("taste.numbers_usual")}</option>
      ${FORMS.map((form) => html`<option key=${form} value=${form} selected=${own.numbers === form}>${told(form)}</option>`)}
    </select>
  </label>`;
}

function SignedIn({ person }) {
  const word = useWords();
  const { ends, provider } = useSession();
  // Who comes by a provider has a password there, and none here.
  const isGuest = person.name.includes("@");
  const [wrong, once, busy] = useOnce();
  const out = (everywhere) =>
    once(async () => {
      await signOut(everywhere);
      // Whoever comes next may see less.
      restart();
    });
  return html`<section aria-labelledby="signed-in">
    <h2 id="signed-in">${word("person.signed_in", person)}</h2>
    <p>${word(`role.${person.role}`)}: ${word(`role.${person.role}.what`)}</p>
    <p>${word("person.signature", person)}${ends && ` ${word("person.ends", { time: full(ends) })}`}</p>
    ${isGuest && provider && html`<p>${word("person.guest", provider)}</p>`}
    <div role="alert">${wrong.map((each) => html`<p key=${each} class="wrong">✗ ${each}</p>`)}</div>
    <div class="buttons">
      <button type="button" aria-disabled=${busy ? "true" : undefined} onClick=${() => out(false)}>${word("person.sign_out")}</button>
      <button type="button" aria-disabled=${busy ? "true" : undefined} onClick=${() => out(true)}>${word("person.sign_out_everywhere")}</button>
      ${!isGuest && html`<${DialogButton} spec=${() => ownPassword(word)}>${word("person.password.open")}<//>`}
    </div>
  </section>`;
}

function ownPassword(word) {
  const secret = (name, autocomplete) => ({ name, label: word(`person.password.${name}`), kind: "secret", required: true, autocomplete, longest: 200 });
  return {
    action: "password",
    untried: true,
    title: word("person.password.open"),
    effect: word("person.password.effect"),
    verb: word("person.password.do"),
    fields: [secret("old", "current-password"), { ...secret("new", "new-password"), hint: word("join.password_hint") }, secret("again", "new-password")],
    send: async (request) => {
      if (request.new !== request.again) throw new AskError([`again: ${word("join.differ")}`]);
      await changePassword(request.old, request.new);
      return { lines: [word("person.password.done")] };
    },
  };
}

function Nobody({ openToAll }) {
  const word = useWords();
  const still = useShared(stillIn);
  return html`<section aria-labelledby="sign-in">
      <h2 id="sign-in">${word("sign_in.do")}</h2>
      ${still && html`<p class="wrong" role="status">${word("person.still_in", { name: still })}</p>`}
      <p>${word(openToAll ? "person.open_to_all" : "person.closed")}</p>
      <${SignIn} />
    </section>
    <${Join} />`;
}

const JOINING = [
  { name: "code", kind: "code", autocomplete: "one-time-code" },
  { name: "name", kind: "code", autocomplete: "username", hint: true, required: false },
  { name: "password", kind: "secret", autocomplete: "new-password", hint: true },
  { name: "again", kind: "secret", autocomplete: "new-password" },
];

/** By a code that somebody was given once: a new person, or a new password of one that there is. */
function Join() {
  const word = useWords();
  const [open, setOpen] = useState(false);
  const [typed, setTyped] = useState({ code: "", name: "", password: "", again: "" });
  const [accepted, setAccepted] = useState(false);
  const [wrong, once, busy, refuse] = useOnce();
  const asked = (event) => {
    event.preventDefault();
    if (!typed.code.trim() || !typed.password) return refuse([word("join.all")]);
    if (typed.password !== typed.again) return refuse([word("join.differ")]);
    if (!accepted) return refuse([word("join.accept_first")]);
    return once(async () => {
      await join(typed.code.trim(), typed.name.trim(), typed.password);
      restart();
    });
  };
  if (!open) return html`<div class="buttons"><button type="button" onClick=${() => setOpen(true)}>${word("join.open")}</button></div>`;
  return html`<section aria-labelledby="join">
    <h2 id="join">${word("join.title")}</h2>
    <p>${word("join.what")}</p>
    <form class="sign-in" onSubmit=${asked} novalidate>
      ${JOINING.map(
        ({ hint, required = true, ...field }) => html`<${Field}
          key=${field.name}
          id=${`join-${field.name}`}
          field=${{ ...field, label: word(`join.${field.name}`), required, longest: 200, hint: hint ? word(`join.${field.name}_hint`) : "" }}
          value=${typed[field.name]}
          change=${(value) => setTyped((now) => ({ ...now, [field.name]: value }))}
        />`,
      )}
      <div class="accept">
        <p>⚠ ${word("caution.monitoring")}</p>
        <label><input type="checkbox" checked=${accepted} onChange=${(event) => setAccepted(event.target.checked)} /> ${word("join.accept")}</label>
      </div>
      <div role="alert">${wrong.map((each) => html`<p key=${each} class="wrong">✗ ${each}</p>`)}</div>
      <button type="submit" class="chief" aria-disabled=${busy ? "true" : undefined}>${word("join.do")}</button>
    </form>
  </section>`;
}
