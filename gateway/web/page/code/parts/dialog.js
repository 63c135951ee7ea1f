// One frame for everything that a person does: fill in, see what it will do, do it, read the answer.
// Nothing is sent twice, nothing is kept for later, and a session that ends in the middle loses nothing that was typed.
import { html, render, useLayoutEffect, useRef, useState } from "../html.js";
import { AskError } from "../ask.js";
import { link, useLink } from "../live.js";
import { told as spoken } from "../sentences.js";
import { offered, refresh, session, useSession } from "../session.js";
import { useWords } from "../words.js";
import { asked, dropDraft, isHeard, keepDraft, OtherPersonError, placed, requestOf, valuesAtFirst } from "./act_course.js";
import { Field } from "./fields.js";
import { hintText } from "./hint_text.js";
import { SignIn } from "./sign_in.js";

let host = null;

/**
 * Open a dialog. `spec`:
 * - action: the word of the act; fixed: fields that are not typed; fields: see parts/fields.js, each may have `keys`
 *   (ends of the keys by which the gateway names it) and `when(values)`;
 * - of: what it is begun at, where `fixed` does not say so: what is typed and left there is found there again and nowhere else;
 * - title, about: what stands at the head; effect: what it does, in a sentence; cautions: sentences, always in sight;
 * - verb: what the last button says; aside(values): drawn beside the fields; done(answer): called when it is done;
 * - asks(request): the request as the gateway wants it, where its fields are not one to one those that are typed;
 * - send(request, {preview}): asks in another way than by /api/1/act; untried: there is no trial of it;
 * - permit: the word by which it is permitted, where that is not the act's own;
 * - meanwhile(): a hook; what others have done to it since the dialog was opened, {text, isOver}, or null.
 */
export function openAct(spec) {
  closeAct();
  host = document.createElement("div");
  document.body.append(host);
  const before = document.activeElement;
  const close = () => {
    removeEventListener("hashchange", close);
    closeAct();
    if (before?.isConnected) before.focus();
    // What opened it may have gone with what was done.
    else document.getElementById("main")?.focus();
  };
  // Who goes back on a phone means to leave it; what was typed is kept.
  addEventListener("hashchange", close);
  render(html`<${Dialog} spec=${spec} close=${close} />`, host);
}

function closeAct() {
  if (host === null) return;
  render(null, host);
  host.remove();
  host = null;
}

const FIRST = "[data-first] input, [data-first] select, [data-first] textarea";
/** Of what was refused by this page. */
const NOT_SENT = -1;
const NOTHING_WRONG = { fields: {}, rest: [], hint: "" };

function Dialog({ spec, close }) {
  const word = useWords();
  const heard = useLink();
  const { person } = useSession();
  const meanwhile = spec.meanwhile?.() ?? null;
  const frame = useRef(null);
  const first = useRef(null);
  if (first.current === null) first.current = valuesAtFirst(spec);
  const [values, setValues] = useState(first.current.values);
  const [fromBefore, setFromBefore] = useState(first.current.fromBefore);
  const [stage, setStage] = useState("fill");
  const [told, setTold] = useState(null);
  const [wrong, setWrong] = useState(NOTHING_WRONG);
  const [busy, setBusy] = useState(false);
  const [entry, setEntry] = useState("");
  const held = useRef(false);
  const entered = useRef(false);
  const who = useRef(person?.name ?? null);

  // Before it is painted: on a slow device a tap would else fall where something stood before it was scrolled to its head.
  useLayoutEffect(() => {
    const dialog = frame.current;
    dialog.showModal();
    // Nothing is filled in: what it will do is shown at once.
    if (!spec.fields?.length) look();
    return () => dialog.open && dialog.close();
  }, []);
  useLayoutEffect(() => {
    const inside = frame.current;
    // Under a thumb a field would call up the keyboard, and push the cautions out of sight before they are read.
    const first = matchMedia("(pointer: coarse)").matches ? "#dialog-title" : FIRST;
    const wanted = stage === "fill" ? (inside?.querySelector("[aria-invalid]") ?? inside?.querySelector(first)) : inside?.querySelector("[data-stage]");
    wanted?.focus();
  }, [stage, wrong]);

  const change = (name, value) => {
    const now = { ...values, [name]: value };
    setValues(now);
    keepDraft(spec, now);
  };
  /** One at a time, whoever presses how often. `taken(answer)` where it went well. */
  const once = async (preview, taken) => {
    if (held.current) return;
    const { request, mistakes } = requestOf(spec, values);
    if (mistakes.length) {
      setWrong(gathered(mistakes, []));
      return;
    }
    if (session.value.person === null) return setEntry(word("dialog.sign_in"));
    // Where looking needs a sign-in too, the page knows before it asks; after one it is about to be let in.
    if (link.value === "refused" && !entered.current) return setEntry(word("dialog.session_ended"));
    held.current = true;
    setBusy(true);
    setWrong(NOTHING_WRONG);
    setEntry("");
    try {
      if (!(await isHeard())) throw new AskError([word("dialog.offline")], { status: NOT_SENT });
      taken(await asked(spec, request, who.current, { preview }));
    } catch (error) {
      fail(error, preview);
    } finally {
      held.current = entered.current = false;
      setBusy(false);
    }
  };
  const fail = (error, preview) => {
    if (error instanceof OtherPersonError) {
      who.current = session.value.person.name;
      setStage(spec.fields?.length ? "fill" : "look");
      setTold(null);
      setWrong(gathered([], [word("dialog.other_person", named(word, session.value.person))]));
    } else if (error.needsSignIn) {
      setEntry(who.current === null ? word("dialog.sign_in") : word("dialog.session_ended"));
      refresh().catch(() => {});
    } else if (!preview && error.status === 0) {
      setStage("unknown");
    } else {
      const sentences = error.sentences ?? [String(error)];
      setWrong({ ...gathered(sentences.map((each) => placed(spec, each)), []), hint: error.hint ?? "" });
      if (stage === "look" && spec.fields?.length && error.status !== NOT_SENT) setStage("fill");
    }
  };
  const look = () =>
    spec.untried
      ? Promise.resolve(shownUntried())
      : once(true, (answer) => {
          who.current ??= session.value.person?.name ?? null;
          setTold(answer);
          setStage("look");
        });
  const shownUntried = () => {
    const { mistakes } = requestOf(spec, values);
    if (mistakes.length) return setWrong(gathered(mistakes, []));
    setWrong(NOTHING_WRONG);
    setTold({ lines: [spec.effect] });
    setStage("look");
  };
  const doIt = () =>
    once(false, (answer) => {
      dropDraft(spec);
      setTold(answer);
      setStage("done");
      spec.done?.(answer);
    });
  const signedIn = () => {
    setEntry("");
    entered.current = true;
    const name = session.value.person?.name ?? null;
    if (who.current !== null && name !== who.current) return fail(new OtherPersonError());
    who.current = name;
    if (!offered(spec.permit ?? spec.action)) return setWrong(gathered([], [word("dialog.may_not", named(word, session.value.person))]));
    if (stage === "fill") look();
    else setWrong(gathered([], [word("dialog.signed_in_again")]));
  };
  const forget = () => {
    dropDraft(spec);
    first.current = valuesAtFirst(spec);
    setValues(first.current.values);
    setFromBefore(false);
  };

  const head = html`<h2 id="dialog-title" tabindex="-1">${spec.title}</h2>
    ${spec.about && html`<p class="about">${spec.about}</p>`}
    ${heard === "silent" && !wrong.rest.length && html`<p class="wrong" role="alert">✗ ${word("dialog.offline")}</p>`}
    ${meanwhile && !busy && (stage === "fill" || stage === "look") && html`<p class="wrong" role="alert">${meanwhile.text}</p>`}`;
  const refusals = html`<div role="alert">
    ${wrong.rest.map((each) => html`<p key=${each} class="wrong">✗ ${spoken(each)}</p>`)}
    ${wrong.hint && html`<p>→ ${hintText(wrong.hint)}</p>`}
  </div>`;
  const cautions = spec.cautions?.length ? html`<ul class="cautions">${spec.cautions.map((each) => html`<li key=${each}>⚠ ${each}</li>`)}</ul>` : null;
  const leave = html`<button type="button" onClick=${close}>${word(stage === "done" || stage === "unknown" ? "dialog.close" : "dialog.leave")}</button>`;
  const waiting = busy ? "true" : undefined;

  return html`<dialog ref=${frame} class="act" aria-labelledby="dialog-title" onCancel=${(event) => (event.preventDefault(), close())}>
    ${head}
    ${entry && html`<${SignIn} key="entry" done=${signedIn} hint=${entry} /><div class="buttons">${leave}</div>`}
    ${stage === "fill" &&
    html`<form hidden=${Boolean(entry)} onSubmit=${(event) => (event.preventDefault(), look())} novalidate data-first>
      ${spec.effect && html`<p>${spec.effect}</p>`} ${cautions}
      ${fromBefore && html`<p class="from-before">${word("dialog.from_before")} <button type="button" class="plain" onClick=${forget}>${word("dialog.begin_anew")}</button></p>`}
      ${spec.aside?.(values)}
      ${(spec.fields ?? [])
        .filter((field) => !field.when || field.when(values))
        .map((field) => html`<${Field} key=${field.name} id=${`act-${field.name}`} field=${field} value=${values[field.name]} mistakes=${wrong.fields[field.name]?.map(spoken)} change=${(value) => change(field.name, value)} />`)}
      ${refusals}
      <div class="buttons"><button type="submit" class="chief" aria-disabled=${waiting}>${word(busy ? "dialog.asking" : "dialog.look")}</button>${leave}</div>
    </form>`}
    ${stage === "look" &&
    html`<div hidden=${Boolean(entry)}>
      <h3 tabindex="-1" data-stage>${word("dialog.will")}</h3>
      <${Lines} answer=${told} />${cautions ?? told?.cautions?.map((each) => html`<p key=${each} class="small">⚠ ${hintText(each)}</p>`)} ${refusals}
      <p class="small quiet">${person ? word("dialog.as", person) : word("dialog.as_nobody")}</p>
      <div class="buttons">
        <button type="button" class="chief" aria-disabled=${waiting} disabled=${told === null || Boolean(meanwhile?.isOver)} onClick=${doIt}>${busy ? word("dialog.doing") : spec.verb}</button>
        ${spec.fields?.length ? html`<button type="button" onClick=${() => setStage("fill")}>${word("dialog.back")}</button>` : null}${leave}
      </div>
    </div>`}
    ${stage === "done" && html`<h3 tabindex="-1" data-stage>${word(told.waiting ? "dialog.waits" : "dialog.done")}</h3><${Lines} answer=${told} /><div class="buttons">${leave}</div>`}
    ${stage === "unknown" && html`<h3 tabindex="-1" data-stage class="wrong">${word("dialog.unknown")}</h3><p>${word("dialog.unknown_what")}</p><div class="buttons">${leave}</div>`}
  </dialog>`;
}

const named = (word, { name, role }) => ({ name, role: word(`role.${role}`) });

/** What the gateway says. */
function Lines({ answer }) {
  const word = useWords();
  if (!answer) return null;
  return html`<div role="status">
    ${answer.one_time_code && html`<p class="one-time"><code>${answer.one_time_code}</code></p>`}
    <ul class="lines">
      ${(answer.lines ?? []).filter((each) => each !== answer.one_time_code).map((each) => html`<li key=${each}>${spoken(each)}</li>`)}
      ${(answer.notes ?? []).map((each) => html`<li key=${each} class="note">${word("dialog.note", { text: spoken(each) })}</li>`)}
    </ul>
  </div>`;
}

function gathered(placedOnes, rest) {
  const fields = {};
  const others = [...rest];
  for (const { field, text } of placedOnes) {
    if (field === null) others.push(text);
    else (fields[field] ??= []).push(text);
  }
  return { fields, rest: others, hint: "" };
}
