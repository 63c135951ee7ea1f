// Who is signed in, and what that person may do.
import { AskError, carry, get, post } from "./ask.js";
import { go } from "./go.js";
import { Shared, useShared } from "./shared.js";
import { keepInTab, takeFromTab } from "./tab.js";
import { word } from "./words.js";

const AGAIN_MS = 3_000;
const NOBODY = { person: null, may: [], view_without_sign_in: false };

export const session = new Shared(NOBODY);
export const useSession = () => useShared(session);

/** Of whose provider somebody is still signed in there, after he has signed out here; empty where he is not. */
export const stillIn = new Shared("");

function take(document) {
  carry(document.proof ?? "");
  if (document.person) stillIn.set("");
  session.set({ ...NOBODY, ...document });
  return document;
}

/** Ask anew. Raises AskError. */
export async function refresh() {
  return take(await get("/api/1/session"));
}

/** Asked until it is told, once: a link that is lost at the start comes back, and whoever has signed in is so still. */
export async function findOut() {
  while (session.value === NOBODY) await refresh().catch(() => new Promise((go) => setTimeout(go, AGAIN_MS)));
}

export async function signIn(name, password) {
  return take(await post("/api/1/sign-in", { name, password }));
}

export async function join(code, name, password) {
  return take(await post("/api/1/join", { code, name, password }));
}

/** What else is to be kept for the way back: called before the page is left. */
export const beforeLeaving = new Set();

/** Why nobody came in on the way back from the provider: sentences. */
export const returned = new Shared([]);

/** Away to the provider of the site, from where the browser comes back by itself. Raises AskError. */
export async function goToProvider() {
  const { address } = await post("/api/1/go-to-provider", {});
  // The gateway has looked at it. An address of another kind would run as a part of this page.
  if (!address?.startsWith("https://")) throw new AskError([word("ask.unreadable")]);
  keepInTab("place", location.hash);
  for (const each of beforeLeaving) each();
  location.assign(address);
}

/** Whether the browser has just come back from there. */
export const isBack = () => new URLSearchParams(location.search).has("state");

/** Sign in by what it came back with, which is used up by that, and stands in the address no longer. */
export async function comeBack() {
  const answer = location.search;
  const place = String(takeFromTab("place"));
  history.replaceState(null, "", "/");
  // A place within this page, and no other.
  if (place.startsWith("#/")) location.hash = place;
  try {
    take(await post("/api/1/come-back", { answer }));
  } catch (error) {
    await refresh().catch(() => {});
    returned.set([...(error.sentences ?? [String(error)]), ...(error.hint ? [error.hint] : [])]);
    go("person");
  }
}

/** The person's own; every other session of that person ends. */
export async function changePassword(old, wanted) {
  return take(await post("/api/1/password", { old, new: wanted }));
}

/** `everywhere`: on every device of this person. Who came by a provider is sent there to end his session too. */
export async function signOut(everywhere = false) {
  const { provider_out: place, provider } = await post("/api/1/sign-out", { everywhere });
  stillIn.set(place === "" ? (provider?.name ?? "") : "");
  await refresh();
  if (place?.startsWith("https://")) location.assign(place);
}

/** Whether the person who is signed in may do this. */
export function may(action) {
  return session.value.may.includes(action);
}

/** Whether an act is shown at all: to whom nobody has signed in it is, and a sign-in is asked for in its course. */
export function offered(action) {
  return session.value.person === null || may(action);
}
