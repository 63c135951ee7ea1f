// Signing in, wherever it is needed: on the page of the person, or in the middle of something.
import { html, useState } from "../html.js";
import { link, restart } from "../live.js";
import { session, signIn } from "../session.js";
import { word } from "../words.js";
import { Field } from "./fields.js";
import { useOnce } from "./once.js";

let last = "";

/** `done()` is called when somebody is signed in. `hint`: why it is asked for now. */
export function SignIn({ done, hint }) {
  const [typed, setTyped] = useState({ name: session.value.person?.name ?? last, password: "" });
  const [wrong, once, busy, refuse] = useOnce();
  const asked = (event) => {
    event.preventDefault();
    const name = typed.name.trim();
    if (!name || !typed.password) return refuse([word("sign_in.both")]);
    return once(async () => {
      await signIn(name, typed.password);
      last = name;
      // Where looking needs a sign-in too, the stream was refused, or closed when the session ended.
      if (link.value !== "live") restart();
      setTyped({ name, password: "" });
      done?.();
    });
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
    <button type="submit" class="chief" aria-disabled=${busy ? "true" : undefined}>${word(busy ? "sign_in.busy" : "sign_in.do")}</button>
  </form>`;
}
