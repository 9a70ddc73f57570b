// What may be asked for from the page, where the address was opened that lets it: buttons and keys.
import { choices, make, say, want } from "./base.js";

const ANSWER_MS = 4000; // How long an answer stays.

// On the stage page: the whole night. `key`: a key of the keyboard; `apart`: for when something is wrong.
const NIGHT = [
  { key: "b", text: "back", want: { do: "back" } },
  { key: "n", text: "next", want: { do: "next" } },
  { key: "c", text: "start cue", want: { do: "start cue" } },
  { key: "h", text: "hush everyone", want: { do: "hush everyone" }, apart: true },
  { key: "f", text: "fall back", want: { do: "fall back" } },
];

// On the page of a listener: their own mix. `input` null: what the list beside it says.
const MIX = [
  { input: "own", says: "my own input", less: "a", more: "s" },
  { input: "whole mix", says: "the whole mix", less: "z", more: "x" },
  { input: null, says: "the input in the list", less: "-", more: "+" },
];
const MINE = [
  { key: "h", text: "hush", want: { do: "hush" } },
  { key: "u", text: "undo", want: { do: "undo" } },
  { key: "r", text: "clear nudges", want: { do: "clear nudges" } },
];
const STEP = 100; // Hundredths of a dB.

// The controls in `root`, of a listener or (null) of the night. Gives `may` (get, or set), `board` and `keys`.
export function controls(root, listener) {
  let allowed = false;
  let there = true;
  let timer = 0;
  let asked = 0;
  let answered = 0;
  let offered = "";
  const answer = make("p", "answer");
  answer.setAttribute("role", "status");
  const choice = make("select");
  choice.setAttribute("aria-label", "input");
  const table = [];

  async function ask(what, text) {
    const turn = ++asked;
    const got = await want(what);
    // Answers overtake each other on their way: what was asked for last stays, unless the earlier was not done.
    if (got.sent && turn < answered) return;
    answered = Math.max(answered, turn);
    // No tick: what came of it, the last press says.
    say(answer, `${got.sent ? "→" : "✕"} ${text}: ${got.text}`);
    answer.classList.toggle("no", !got.sent);
    clearTimeout(timer);
    timer = setTimeout(() => say(answer, ""), ANSWER_MS);
  }

  function button(into, key, text, says, what) {
    const does = () => ask(what(), says);
    const one = make("button", "", text);
    one.type = "button";
    if (text !== says) one.setAttribute("aria-label", says);
    one.setAttribute("aria-keyshortcuts", key);
    one.title = `key ${key}`;
    one.addEventListener("click", does);
    into.append(one);
    table.push({ key, says, does, may: () => allowed && there });
    return one;
  }

  function step({ input, says, less, more }) {
    const group = make("div", "group");
    const nudge = (by) => () => ({ do: "nudge", listener, input: input ?? choice.value, by });
    button(group, less, "−1", `${says} down 1 dB`, nudge(-STEP));
    group.append(input === null ? choice : make("span", "", input === "own" ? "me" : input));
    button(group, more, "+1", `${says} up 1 dB`, nudge(STEP));
    root.append(group);
  }

  if (listener === null) {
    for (const one of NIGHT) {
      const made = button(root, one.key, one.text, one.text, () => one.want);
      if (one.apart) made.classList.add("apart");
    }
  } else {
    MIX.forEach(step);
    for (const one of MINE) button(root, one.key, one.text, one.text, () => ({ ...one.want, listener }));
  }
  root.append(answer);

  return {
    keys: table,
    may(is) {
      if (is !== undefined) {
        allowed = is;
        root.hidden = !(is && there);
      }
      return allowed && there;
    },
    // The inputs that can be chosen.
    board(board) {
      there = listener === null || board.listeners.some((one) => one.name === listener);
      root.hidden = !(allowed && there);
      if (listener === null) return;
      const names = JSON.stringify(board.inputs);
      if (names !== offered) choices(choice, board.inputs.map((input) => [input, input]));
      offered = names;
    },
  };
}
