// What is asked for, in words.
import { hasWord, word } from "../words.js";

export function actName({ action }) {
  return hasWord(`acts.${action}.title`) ? word(`acts.${action}.title`) : action;
}
