// Signing in, wherever it is needed: on the page of the person, or in the middle of something.
import { html, useState } from "../html.js";
import { link, restart } from "../live.js";
import { useShared } from "../shared.js";
import { goToProvider, returned, session, signIn, useSession } from "../session.js";
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
    <${ByProvider} />
  </form>`;
}

/** Nothing where the site has no provider. It may be away, and then says so; name and password stand above it. */
function ByProvider() {
  const { provider } = useSession();
  const back = useShared(returned);
  const [wrong, once, busy] = useOnce();
  if (!provider) return null;
  const told = wrong.length ? wrong : back;
  const leave = () => once(async () => (returned.set([]), goToProvider()));
  // It begins and ends at one address: elsewhere this browser would not be known on its way back.
  const isHere = location.origin === provider.page;
  return html`<div class="by-provider">
    ${isHere
      ? html`<button type="button" aria-disabled=${busy ? "true" : undefined} onClick=${leave}>${word(busy ? "sign_in.by_busy" : "sign_in.by", provider)}</button>
          <p class="quiet small">${word("sign_in.by_hint", provider)}</p>`
      : html`<p><a href=${`${provider.page}/#/person`}>${word("sign_in.by_there", provider)}</a></p>`}
    <div role="alert">${told.map((each) => html`<p key=${each} class="wrong">✗ ${each}</p>`)}</div>
  </div>`;
}
