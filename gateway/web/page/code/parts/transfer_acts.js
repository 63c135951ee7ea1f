// What people do to transfers and tickets, each by the one dialog that shows what it will do before it is done.
import { html } from "../html.js";
import { useSession } from "../session.js";
import { useWords, word } from "../words.js";
import { tags } from "../live.js";
import { codeWord } from "./account_figures.js";
import { ActButton } from "./act_button.js";
import { transferTitle } from "./transfer_words.js";

const KINDS = ["receipt", "dispatch", "tank_to_tank", "circulation", "water_draw"];
const OUT_OF = new Set(["dispatch", "tank_to_tank", "circulation", "water_draw"]);
const INTO = new Set(["receipt", "tank_to_tank"]);
/** Bases on which amounts are ordered; the gateway takes GSV, or mass where the unit is one. */
const BASES = ["gsv", "nsv", "gov", "tov", "mass", "weight_in_air"];
/** What may be done in each phase, as the gateway has it; what is likeliest stands first. */
const OFFERED = {
  proposed: ["confirm-transfer", "change-transfer", "cancel-transfer"],
  planned: ["start-transfer", "change-transfer", "cancel-transfer"],
  running: ["finish-transfer", "pause-transfer", "change-transfer", "close-transfer", "cancel-transfer"],
  paused: ["resume-transfer", "finish-transfer", "change-transfer", "close-transfer", "cancel-transfer"],
  settling: ["close-transfer", "resume-transfer", "change-transfer", "cancel-transfer"],
};
const TO_OPEN_A_VALVE = new Set(["plan-transfer", "start-transfer", "confirm-transfer", "resume-transfer"]);

function why(required = false, hint = "") {
  return { name: "why", kind: "long", label: word("act.why"), required, hint };
}

function kindField(required, initial) {
  const options = KINDS.map((kind) => [kind, codeWord("transfer_kind", kind)]);
  return { name: "kind", kind: "choice", label: word("act.kind"), options, required, initial };
}

function tankField(name, when) {
  const options = tags.value.map((tag) => [tag, tag]);
  return { name, kind: "choice", label: word(`act.${name}`), options, required: true, when };
}

/** What is said of a transfer. */
function described() {
  return [
    { name: "amount", kind: "quantity", quantity: "amount", label: word("transfer.ordered") },
    { name: "measure", kind: "choice", label: word("act.measure"), options: BASES.map((each) => [each, word(`measure.${each}`)]), hint: word("act.measure_hint") },
    { name: "partner", kind: "text", label: word("transfer.partner"), hint: word("act.partner_hint") },
    { name: "reference", kind: "text", label: word("transfer.reference"), hint: word("act.reference_hint") },
    { name: "owner", kind: "text", label: word("transfer.owner") },
  ];
}

function begins() {
  return { name: "begins", kind: "instant", label: word("transfer.begins"), empty: word("act.begins_open") };
}

function newFields() {
  return [kindField(true), tankField("source", ({ kind }) => OUT_OF.has(kind)), tankField("target", ({ kind }) => INTO.has(kind)), ...described()];
}

/** Of a movement that was proposed: its tank is known, but for one to another tank. */
function confirmFields(transfer) {
  const [{ tank, direction }] = transfer.sides;
  const other = direction === "into" ? "source" : "target";
  const field = tankField(other, ({ kind }) => kind === "tank_to_tank");
  return [kindField(true, transfer.kind), { ...field, options: field.options.filter(([tag]) => tag !== tank) }, ...described(), why()];
}

function fieldsOf(action, transfer) {
  switch (action) {
    case "plan-transfer":
      return [...newFields(), begins(), why()];
    case "start-transfer":
      return transfer ? [why()] : [...newFields(), why()];
    case "confirm-transfer":
      return confirmFields(transfer);
    case "change-transfer":
      return [...described().map((field) => withNow(field, transfer)), begins(), why()];
    case "close-transfer":
      return [why(false, word("act.close_why"))];
    case "cancel-transfer":
      return [why(true)];
    default:
      return [why()];
  }
}

/** What is said of it now stands below each field: what is left empty stays. */
function withNow(field, transfer) {
  const now = transfer[field.name];
  return typeof now === "string" && now ? { ...field, hint: word("act.now", { value: now }) } : field;
}

/** The dialog of an act; `transfer`: null of one that is new. */
function actSpec(action, transfer, done) {
  return {
    action,
    fixed: transfer ? { transfer: String(transfer.number) } : {},
    fields: fieldsOf(action, transfer),
    title: word(`act.title.${action}`),
    about: transfer ? `${word("transfer.number", { number: transfer.number })} ${transferTitle(transfer)}, ${transfer.product}` : "",
    effect: word(`act.effect.${action}`),
    cautions: TO_OPEN_A_VALVE.has(action) ? [word("caution.valve")] : [],
    verb: word(`act.verb.${action}`),
    done,
  };
}

/** Announce one, or begin one that nobody has announced. */
export function NewTransferButtons({ done }) {
  const word = useWords();
  return html`<div class="acts">
    ${["plan-transfer", "start-transfer"].map(
      (action) => html`<${ActButton} key=${action} action=${action} spec=${() => actSpec(action, null, done)} label=${word(action === "start-transfer" ? "act.start_at_once" : "act.title.plan-transfer")} />`,
    )}
    <${WhoMay} actions=${["plan-transfer", "start-transfer"]} />
  </div>`;
}

/** What may be done to one now. */
export function TransferButtons({ transfer, done }) {
  const word = useWords();
  const about = word("transfer.number", { number: transfer.number });
  return html`<div class="acts">
    ${(OFFERED[transfer.phase] ?? []).map(
      (action, index) => html`<${ActButton} key=${action} action=${action} kind=${index === 0 ? "chief" : ""} spec=${() => actSpec(action, transfer, done)} label=${word(`act.verb.${action}`)} about=${about} />`,
    )}
  </div>`;
}

/** Why there is nothing to press, for who is signed in and may not. */
function WhoMay({ actions }) {
  const word = useWords();
  const { person, may } = useSession();
  if (person === null || actions.some((action) => may.includes(action))) return null;
  return html`<p class="quiet">${word("act.only_look", { role: codeWord("role", person.role) })}</p>`;
}

/** Take a ticket back; with something else said of it another is made in its place. */
export function ReverseTicketButton({ ticket, done }) {
  const word = useWords();
  const kinds = KINDS.filter((kind) => (kind === "tank_to_tank") === (ticket.kind === "tank_to_tank") && kind !== ticket.kind);
  const spec = () => ({
    action: "reverse-ticket",
    fixed: { ticket: String(ticket.number) },
    title: word("act.title.reverse-ticket", { number: ticket.number }),
    about: `${transferTitle(ticket)}, ${ticket.product}`,
    effect: word("act.effect.reverse-ticket"),
    verb: word("act.verb.reverse-ticket"),
    fields: [
      why(true),
      ...(kinds.length ? [{ ...kindField(false), options: kinds.map((kind) => [kind, codeWord("transfer_kind", kind)]), hint: word("act.instead_hint") }] : []),
      ...["partner", "reference", "owner"].map((name) => ({ name, kind: "text", label: word(`transfer.${name}`), hint: word("act.instead_hint") })),
    ],
    done,
  });
  return html`<${ActButton} action="reverse-ticket" spec=${spec} label=${word("act.verb.reverse-ticket")} />`;
}
