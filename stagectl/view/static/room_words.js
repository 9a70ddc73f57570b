// Words of the program as the room shows them.

import { minus } from "./base.js";

// With the minus sign of all pages; a number and its dB stay in one line.
export function said(words) {
  return minus(words).replace(/(\d) dB/g, "$1\u00a0dB");
}
