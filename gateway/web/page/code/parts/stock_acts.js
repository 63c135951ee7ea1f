// What people enter into the books and take back, and days that are closed again; each shown before it is done.
import { html } from "../html.js";
import { site, tags } from "../live.js";
import { useWords, word } from "../words.js";
import { MEASURES, codeWord } from "./account_figures.js";
import { ActButton } from "./act_button.js";

const KINDS = ["receipt", "dispatch", "own_use", "adjustment"];
const SOURCES = ["meter", "rack", "ship", "road", "rail", "pipeline", "other"];
const NEEDED = ["kind", "source", "product", "amount", "at", "reference"];
const AT_ONCE = 50_000;

function why(required) {
  return { name: "why", kind: "long", label: word("act.why"), required };
}

function choice(name, options, more = {}) {
  return { name, kind: "choice", label: word(`amounts.field.${name}`), options, ...more };
}

function products() {
  const known = new Set([...Object.keys(site.value?.products ?? {}), ...tags.value.map((tag) => site.value.tanks[tag].product)]);
  return [...known].sort().map((name) => [name, name]);
}

/** Enter what a meter, a rack, a ship, a road car measured. */
export function EnterAmountButton({ done }) {
  const word = useWords();
  const spec = () => ({
    action: "amount",
    title: word("act.title.amount"),
    effect: word("act.effect.amount"),
    verb: word("act.verb.amount"),
    fields: [
      choice("kind", KINDS.map((each) => [each, codeWord("amount_kind", each)]), { required: true }),
      choice("source", SOURCES.map((each) => [each, codeWord("amount_source", each)]), { required: true }),
      choice("product", products(), { required: true }),
      { name: "amount", kind: "quantity", quantity: "amount", label: word("amounts.field.amount"), required: true },
      choice("measure", MEASURES.map((each) => [each, word(`measure.${each}`)]), { required: true, hint: word("amounts.measure_hint") }),
      { name: "at", kind: "instant", label: word("amounts.field.at") },
      { name: "reference", kind: "text", label: word("amounts.field.reference"), hint: word("amounts.reference_hint") },
      { name: "ticket", kind: "code", label: word("amounts.field.ticket"), hint: word("amounts.ticket_hint") },
      choice("tank", tags.value.map((tag) => [tag, tag])),
      { name: "owner", kind: "text", label: word("transfer.owner") },
      why(false),
    ],
    done,
  });
  return html`<${ActButton} action="amount" spec=${spec} label=${word("act.title.amount")} />`;
}

/** All amounts of a file, pasted or chosen: all of it is taken in, or nothing. */
export function ImportAmountsButton({ done }) {
  const word = useWords();
  const spec = () => ({
    action: "import-amounts",
    title: word("act.title.import-amounts"),
    effect: word("act.effect.import-amounts"),
    verb: word("act.verb.import-amounts"),
    fields: [
      { name: "text", kind: "pasted", label: word("amounts.field.text"), hint: word("amounts.text_hint", { columns: NEEDED.join(", ") }), longest: AT_ONCE, required: true },
      why(false),
    ],
    done,
  });
  return html`<${ActButton} action="import-amounts" spec=${spec} label=${word("act.title.import-amounts")} />`;
}

/** Take one back: another takes it back, and its days get another revision. */
export function ReverseAmountButton({ amount, about, done }) {
  const word = useWords();
  const spec = () => ({
    action: "reverse-amount",
    fixed: { amount: String(amount.number) },
    title: word("act.title.reverse-amount", { number: amount.number }),
    about,
    effect: word("act.effect.reverse-amount"),
    verb: word("act.verb.reverse-ticket"),
    fields: [why(true)],
    done,
  });
  return html`<${ActButton} action="reverse-amount" spec=${spec} label=${word("act.verb.reverse-ticket")} about=${word("amounts.one", { number: amount.number })} />`;
}

/** Close a day that has ended, or again where something came late. `day`: null for the one that ended last. */
export function CloseDayButton({ day, done }) {
  const word = useWords();
  const spec = () => ({
    action: "close-day",
    of: day ?? "",
    title: word("act.title.close-day"),
    effect: word("act.effect.close-day"),
    verb: word("act.verb.close-day"),
    fields: [{ name: "day", kind: "code", label: word("amounts.field.day"), hint: word("day.act_hint"), initial: day ?? "" }, why(false)],
    done,
  });
  return html`<${ActButton} action="close-day" spec=${spec} label=${word(day === null ? "act.title.close-day" : "act.close_again")} />`;
}
