// What stands around every page: bright and dark, the sheet of keys, single keys, a screen that stays lit.
import { $, make, row, say } from "./base.js";

const LIGHT = "stagectl light"; // Read by theme.js, too.
const SINGLE = "stagectl keys";

function keep(name, value) {
  try {
    localStorage.setItem(name, value);
  } catch {
    // Not kept here, then.
  }
}

function kept(name) {
  try {
    return localStorage.getItem(name);
  } catch {
    return null;
  }
}

// -- bright and dark -------------------------------------------------------------------------------------------

const system = matchMedia("(prefers-color-scheme: dark)");

function isDark() {
  const chosen = document.documentElement.dataset.light;
  return chosen ? chosen === "dark" : system.matches;
}

// The button that turns it. Gives what it does.
export function light() {
  const named = () => say($("light"), isDark() ? "bright" : "dark");
  const turn = () => {
    const next = isDark() ? "bright" : "dark";
    document.documentElement.dataset.light = next;
    keep(LIGHT, next);
    named();
  };
  $("light").addEventListener("click", turn);
  system.addEventListener("change", named);
  named();
  return turn;
}

// -- keys --------------------------------------------------------------------------------------------------------

// A key that is held presses a button once, not again and again: what repeats does nothing (UI Events: `repeat`).
addEventListener(
  "keydown",
  (event) => {
    if (event.repeat && (event.key === "Enter" || event.key === " ") && event.target.closest?.("button, a")) event.preventDefault();
  },
  { capture: true },
);

// Single keys for actions; they can be turned off (WCAG 2.2, 2.1.4), and never act where somebody types or chooses.
// `table`: each `key`, what it `does`, and perhaps whether it `may`. `first`: what takes keys before the table does.
export function keys(table, first) {
  addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    if (event.target.closest?.("input:not([type=range]), select, textarea, dialog") || kept(SINGLE) === "off") return;
    const found = table.find((one) => one.key === event.key && (one.may?.() ?? true));
    if (first?.(event)) event.preventDefault();
    else if (found) {
      event.preventDefault();
      found.does();
    }
  });
}

// The sheet of keys, and whether they act. `rows`: what is in it when it is opened, `[key, words]` each. Gives what opens
// it.
export function sheet(rows) {
  const open = () => {
    $("key-rows").replaceChildren(...rows().map(([key, words]) => row([make("kbd", "", key), words])));
    $("keys-on").checked = kept(SINGLE) !== "off";
    $("about").showModal();
  };
  $("help").addEventListener("click", open);
  $("about-close").addEventListener("click", () => $("about").close());
  $("keys-on").addEventListener("change", (event) => keep(SINGLE, event.target.checked ? "on" : "off"));
  return open;
}

// -- a screen that stays lit -------------------------------------------------------------------------------------

// Where the browser lets a page ask for it.
export function stayLit() {
  const ask = () => navigator.wakeLock?.request("screen").catch(() => {});
  ask();
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && ask());
}
