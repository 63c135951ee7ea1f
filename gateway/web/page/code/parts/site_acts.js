// What is done about the site file: proposed, approved, declined, gone back; each by the one frame of all that is done.
import { post } from "../ask.js";
import { word } from "../words.js";
import { SITE_FILE } from "./permits.js";

export const PERMIT = SITE_FILE;
/** In sight wherever the site file is written on or put in its place. */
export const cautions = () => [word("caution.people"), word("caution.monitoring"), word("caution.custody")];
/** A site of 500 tanks is read and calculated in this time on a slow machine. */
export const LONGEST_MS = 60_000;

const LONGEST_WHY = 500;
const why = (required) => ({ name: "why", label: word("site.why"), kind: "text", required, longest: LONGEST_WHY });

function spec(key, about, said, more) {
  return {
    action: `site-file-${key}`,
    permit: PERMIT,
    untried: true,
    title: word(`site.${key}.title`),
    about,
    effect: word(`site.${key}.effect`),
    verb: word(`site.${key}.do`),
    cautions: said,
    ...more,
  };
}

const sending = (place, fields) => (request) => post(`/api/1/site-file/${place}`, { ...fields, ...(request.why ? { why: request.why } : {}) }, { longestMs: LONGEST_MS });

export const proposal = ({ text, tables, based_on: basedOn }, done) =>
  spec("propose", "", cautions(), { done, fields: [why(true)], send: sending("propose", { text, tables, based_on: basedOn }) });

/** `tied`: what is to be known of the two, in words; empty where nothing is. */
export const approval = ({ number, sha256, by }, done, tied) =>
  spec("approve", word("site.proposal", { number, by }), [...(tied ? [`${word("second.known")} ${tied}`] : []), ...cautions()], { done, fixed: { number }, fields: [why(false)], send: sending("approve", { proposal: number, sha256 }) });

export const refusal = ({ number, by }, done) =>
  spec("decline", word("site.proposal", { number, by }), [], { done, fixed: { number }, fields: [why(true)], send: sending("decline", { proposal: number }) });

export const wayBack = ({ number, kept_at: keptAt }, done) =>
  spec("back", word("site.version", { number, time: keptAt }), cautions(), { done, fixed: { number }, fields: [why(true)], send: sending("roll-back", { version: number }) });
