// Hints of the gateway, which also stand in terminals.
import { told } from "../sentences.js";

/** Without the options of a command, which nobody types here: "say why (--why)". */
export function hintText(hint) {
  return told(hint).replace(/ \(--[^)]*\)/g, "");
}
