// The course of one act, without drawing: typed fields to a request, refusals to the fields that they are about.
import { act, AskError } from "../ask.js";
import { link } from "../live.js";
import { beforeLeaving, refresh, session } from "../session.js";
import { keepInTab, takeFromTab } from "../tab.js";
import { blank, textOf } from "./typed.js";

const KEPT_MS = 30 * 60_000;
/** What was typed and not done, by act and what it is about: a dialog that is closed by mistake loses nothing. */
const drafts = new Map(takeFromTab("drafts") ?? []);
beforeLeaving.add(() => keepInTab("drafts", [...drafts]));

const draftKey = (spec) => [spec.action, ...Object.values(spec.fixed ?? {}), spec.of ?? ""].join(" ");

export function valuesAtFirst(spec) {
  const fresh = Object.fromEntries((spec.fields ?? []).map((field) => [field.name, blank(field)]));
  const draft = drafts.get(draftKey(spec));
  if (!draft || Date.now() - draft.ms > KEPT_MS) return { values: fresh, fromBefore: false };
  return { values: { ...fresh, ...draft.values }, fromBefore: Object.keys(draft.values).length > 0 };
}

export function keepDraft(spec, values) {
  // A secret is typed anew.
  const kept = Object.fromEntries((spec.fields ?? []).filter(({ kind }) => kind !== "secret").map(({ name }) => [name, values[name]]));
  drafts.set(draftKey(spec), { ms: Date.now(), values: kept });
}

export function dropDraft(spec) {
  drafts.delete(draftKey(spec));
}

/** {request, mistakes}: the texts as the gateway reads them, and what it is not even asked with. */
export function requestOf(spec, values) {
  const request = { action: spec.action, ...spec.fixed };
  const mistakes = [];
  for (const field of spec.fields ?? []) {
    if (field.when && !field.when(values)) continue;
    const { text, mistake } = textOf(field, values[field.name]);
    if (mistake) mistakes.push({ field: field.name, text: mistake });
    else if (text) request[field.name] = text;
  }
  return { request: spec.asks ? spec.asks(request) : request, mistakes };
}

/** Which field a sentence of the gateway is about, by the key before its colon. A field's `keys` are ends of such keys. */
export function placed(spec, sentence) {
  const [key, ...rest] = sentence.split(": ");
  if (!rest.length || /\s/.test(key)) return { field: null, text: sentence };
  const found = (spec.fields ?? []).find(({ name, keys = [] }) => [name, ...keys].some((end) => key === end || key.endsWith(`.${end}`)));
  return found ? { field: found.name, text: rest.join(": ") } : { field: null, text: sentence };
}

/** Somebody else is signed in than when this was filled in. */
export class OtherPersonError extends Error {}

const BEGINS_MS = 5_000;

/**
 * Whether the gateway is heard: what cannot be done now is refused, and never kept for later. A page that only begins,
 * or where somebody has only now signed in, is given a moment.
 */
export function isHeard() {
  if (link.value === "live" || link.value === "silent") return Promise.resolve(link.value === "live");
  return new Promise((tell) => {
    const end = () => {
      leave();
      clearTimeout(timer);
      tell(link.value === "live");
    };
    const leave = link.watch(() => (link.value === "live" || link.value === "silent") && end());
    const timer = setTimeout(end, BEGINS_MS);
  });
}

/**
 * Ask the gateway. Raises AskError, OtherPersonError. `who`: for whom it was filled in. A refusal because another
 * page of this browser has signed in anew is asked once more: what was refused was not done.
 */
export async function asked(spec, request, who, { preview }) {
  if (who !== null && session.value.person && session.value.person.name !== who) throw new OtherPersonError();
  const send = spec.send ?? act;
  try {
    return await send(request, { preview });
  } catch (error) {
    if (!(error instanceof AskError) || error.status !== 403) throw error;
    const { proof } = session.value;
    await refresh();
    if (session.value.proof === proof || !session.value.person) throw error;
    if (who !== null && session.value.person.name !== who) throw new OtherPersonError();
    return send(request, { preview });
  }
}
