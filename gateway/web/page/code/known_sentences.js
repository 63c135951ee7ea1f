// What sentences of the gateway are made of, as its documents tell it: found by the sentence, for as long as whoever told it does.

/** By sentence {phrase, values, owners}. */
const known = new Map();
/** By owner the sentences that it told last. */
const told = new Map();
const MOST_DOCUMENTS = 40;
const DOCUMENT = "/";

/** `owner`: a row, the alarms, or the path of a document; what it told before is forgotten, if nobody else tells it. */
export function learn(owner, sentences = []) {
  for (const { text, phrase, values } of sentences) {
    const before = known.get(text);
    known.set(text, { phrase, values, owners: (before?.owners ?? 0) + 1 });
  }
  for (const text of told.get(owner) ?? []) {
    const each = known.get(text);
    each.owners -= 1;
    if (each.owners === 0) known.delete(text);
  }
  told.delete(owner);
  if (sentences.length) told.set(owner, sentences.map(({ text }) => text));
}

/** The same of a document that was asked for: of the last of them. */
export function learnDocument(path, document) {
  learn(path, document.sentences);
  const documents = [...told.keys()].filter((owner) => owner.startsWith(DOCUMENT));
  for (const owner of documents.slice(0, -MOST_DOCUMENTS)) learn(owner);
}

/** {phrase, values}; undefined of a sentence that bears no values, or of which nobody has told. */
export function partsOf(sentence) {
  return known.get(sentence);
}
