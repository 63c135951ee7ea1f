// Who is signed in, and what that person may do.
import { carry, get, post } from "./ask.js";
import { Shared, useShared } from "./shared.js";

const NOBODY = { person: null, may: [], view_without_sign_in: false };

export const session = new Shared(NOBODY);
export const useSession = () => useShared(session);

function take(document) {
  carry(document.proof ?? "");
  session.set({ ...NOBODY, ...document });
  return document;
}

/** Ask anew. Raises AskError. */
export async function refresh() {
  return take(await get("/api/1/session"));
}

export async function signIn(name, password) {
  return take(await post("/api/1/sign-in", { name, password }));
}

export async function join(code, name, password) {
  return take(await post("/api/1/join", { code, name, password }));
}

/** The person's own; every other session of that person ends. */
export async function changePassword(old, wanted) {
  return take(await post("/api/1/password", { old, new: wanted }));
}

/** `everywhere`: on every device of this person. */
export async function signOut(everywhere = false) {
  await post("/api/1/sign-out", { everywhere });
  return refresh();
}

/** Whether the person who is signed in may do this. */
export function may(action) {
  return session.value.may.includes(action);
}
