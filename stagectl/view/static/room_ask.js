// What the rehearsal room asks for, one thing after the other: two edges of a foot may not overtake each other on their
// way.

import { $, say, want } from "./base.js";

let before = Promise.resolve();

// Gives whether it was taken.
export function ask(what) {
  before = before.then(async () => {
    const answer = await want(what);
    if (!answer.sent) say($("last"), `✕ ${answer.text}`);
    return answer.sent;
  });
  return before;
}
