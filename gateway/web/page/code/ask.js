// Every request of the page. A failure is an Asked error whose sentences can be shown as they are.
import { learnDocument } from "./known_sentences.js";
import { word } from "./words.js";

const LONGEST_MS = 20_000;
const LONGEST_FILE_MS = 60_000;

export class AskError extends Error {
  constructor(sentences, { status = 0, hint = "", answer = null } = {}) {
    super(sentences.join("; "));
    this.sentences = sentences;
    this.status = status;
    this.hint = hint;
    this.answer = answer;
  }

  get needsSignIn() {
    return this.status === 401;
  }
}

let proof = "";

/** What a request that changes something is to carry: told by /api/1/session. */
export function carry(newProof) {
  proof = newProof;
}

/** A document. Raises AskError. */
export async function get(path, { longestMs = LONGEST_MS } = {}) {
  const document = await asked(path, {}, longestMs);
  learnDocument(path, document);
  return document;
}

/** Something that changes something. `longestMs`: it is waited for. Raises AskError. */
export async function post(path, fields, { longestMs = LONGEST_MS } = {}) {
  const options = {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-Page-Proof": proof },
    body: JSON.stringify(fields),
  };
  return asked(path, options, longestMs);
}

/** One act of a person, or with `preview` what it would do. Gives the answer of the gateway: code, lines, hint. */
export function act(fields, { preview = false } = {}) {
  return post(preview ? "/api/1/act?try=yes" : "/api/1/act", fields);
}

/** A file, as a Blob: what takes long to make is waited for longer. Raises AskError. */
export async function getFile(path) {
  const { answer, body } = await fetched(path, {}, LONGEST_FILE_MS, (each) => each.blob());
  if (!answer.ok) throw refusal(answer, await body.text());
  return body;
}

async function asked(path, options, longestMs = LONGEST_MS) {
  const { answer, body } = await fetched(path, options, longestMs, (each) => each.text());
  if (!answer.ok) throw refusal(answer, body);
  const document = parsed(body);
  if (document === null) throw new AskError([word("ask.unreadable")], { status: answer.status });
  return document;
}

async function fetched(path, options, longestMs, bodyOf) {
  const end = new AbortController();
  const timer = setTimeout(() => end.abort(), longestMs);
  try {
    const answer = await fetch(path, { credentials: "same-origin", cache: "no-store", ...options, signal: end.signal });
    return { answer, body: await bodyOf(answer) };
  } catch {
    throw new AskError([word("ask.unreachable")]);
  } finally {
    clearTimeout(timer);
  }
}

function refusal(answer, body) {
  const document = parsed(body);
  // Of a text the first line is the sentence; what follows is for programs.
  const said = body.trim().split("\n")[0].slice(0, 500);
  const sentences = document?.lines ?? [said || word("ask.refused", { status: answer.status })];
  return new AskError(sentences, { status: answer.status, hint: document?.hint ?? "", answer: document });
}

function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return null;
  }
}
