// Signing in, wherever it is needed: on the page of the person, or in the middle of something.
import { html, useRef, useState } from "../html.js";
import { link, restart } from "../live.js";
import { session, signIn } from "../session.js";
import { word } from "../words.js";
import { Field } from "./fields.js";

let last = "";

/** `done()` is called when somebody is signed in. `hint`: why it is asked for now. */
export function SignIn({ done, hint, chief = true }) {
  const [typed, setTyped] = useState({ name: session.value.person?.name ?? last, password: "" });
  const [wrong, setWrong] = useState([]);
  const [busy, setBusy] = useState(false);
  const held = useRef(false);
  const asked = async (event) => {
    event.preventDefault();
    if (held.current) return;
    if (!typed.name.trim() || !typed.password) return setWrong([word("sign_in.both")]);
    held.current = true;
    setBusy(true);
    setWrong([]);
    try {
      const stood = session.value.person?.name ?? null;
      await signIn(typed.name.trim(), typed.password);
      last = typed.name.trim();
      // What may be seen can be another for another person.
      if (stood === null || link.value !== "live") restart();
      setTyped({ name: last, password: "" });
      done?.();
    } catch (error) {
      setWrong(error.sentences ?? [String(error)]);
    } finally {
      held.current = false;
      setBusy(false);
    }
  };
  const field = (name, kind, autocomplete) =>
    html`<${Field}
      id=${`sign-in-${name}`}
      field=${{ name, label: word(`sign_in.${name}`), kind, required: true, autocomplete, longest: 200 }}
      value=${typed[name]}
      change=${(value) => setTyped((now) => ({ ...now, [name]: value }))}
    />`;
  return html`<form class="sign-in" onSubmit=${asked} novalidate>
    ${hint && html`<p>${hint}</p>`}
    ${field("name", "code", "username")} ${field("password", "secret", "current-password")}
    <div role="alert">${wrong.map((each) => html`<p key=${each} class="wrong">✗ ${each}</p>`)}</div>
    <button type="submit" class=${chief ? "chief" : ""} aria-disabled=${busy ? "true" : undefined}>${word(busy ? "sign_in.busy" : "sign_in.do")}</button>
  </form>`;
}
