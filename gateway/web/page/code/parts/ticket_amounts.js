// The amounts of a ticket as they are shown: what is moved is the difference of the two figures shown, as on its paper.
import { MEASURES, applies, exactly } from "./account_figures.js";
import { added, isNear, nearest, total } from "./exact.js";

const NOT_TOLD = { value: null, quality: "Good", reasons: [], manual: false };

export function figureOf(moved, measure) {
  return moved[measure] ?? NOT_TOLD;
}

/** Those that the ticket has, or should have. */
export function measuresOf(ticket) {
  return MEASURES.filter((name) => {
    const figure = figureOf(ticket.moved, name);
    return figure.value !== null || figure.quality !== "Good";
  });
}

/** Whether a figure applies to a tank at its opening or closing. */
export function sideHas(side, name) {
  return applies(side.opening?.figures[name]) || applies(side.closing?.figures[name]);
}

/** Decimal texts of opening, closing and what was moved of one measure; how many decimals is said by the movement. */
export function sideShown(side, measure) {
  const kept = figureOf(side.moved, measure).value;
  const at = (sheet) => {
    const value = sheet.figures[measure]?.value ?? null;
    return value === null ? null : exactly(measure, value, { like: kept });
  };
  const [opening, closing] = [at(side.opening), at(side.closing)];
  if (kept === null) return { opening, closing, moved: null };
  let moved = exactly(measure, kept);
  if (opening !== null && closing !== null) {
    // By direction or by sign: whichever it is kept by.
    const ways = [added([[closing, 1], [opening, -1]]), added([[opening, 1], [closing, -1]])];
    const difference = nearest(ways, moved);
    if (isNear(difference, moved, 2)) moved = difference;
  }
  return { opening, closing, moved };
}

/** The amount of the ticket: the sum of what its tanks show; null where there is none. */
export function ticketShown(ticket, measure) {
  const kept = figureOf(ticket.moved, measure).value;
  if (kept === null) return null;
  const amount = exactly(measure, kept);
  // Of a transfer from tank to tank what the receiving tanks took in.
  const sides = ticket.sides.filter((side) => ticket.kind !== "tank_to_tank" || side.direction === "into");
  const shown = sides.map((side) => sideShown(side, measure).moved);
  if (shown.length && !shown.includes(null)) {
    const sum = total(shown);
    if (isNear(sum, amount, 2 * shown.length)) return sum;
  }
  return amount;
}

/** By which an amount is told: of a water draw the water; else GSV, or mass of what has none, with its vapour. */
export function toldMeasure(moved, kind) {
  if (kind === "water_draw" && figureOf(moved, "free_water").value !== null) return "free_water";
  const counts = (name) => figureOf(moved, name).value !== null || figureOf(moved, name).quality === "Bad";
  return ["gsv", "total_mass", "mass"].find(counts) ?? "tov";
}

/** What became of a ticket since it was made: {by, standing} or null where it stands. */
export function takenBack(number, tickets) {
  const by = new Map(tickets.filter((each) => each.reverses !== null).map((each) => [each.reverses, each.number]));
  const instead = new Map(tickets.filter((each) => each.replaces !== null).map((each) => [each.replaces, each.number]));
  if (!by.has(number)) return null;
  let standing = number;
  while (standing !== undefined && by.has(standing)) standing = instead.get(standing);
  return { by: by.get(number), standing: standing ?? null };
}
