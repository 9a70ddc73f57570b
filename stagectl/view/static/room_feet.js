// The pedals of the rehearsal: buttons and keys that are feet. Both edges go to the program, with the time between them
// as it is, and what they mean is made out there, as it is on stage.

import { $, flag, make, named, say } from "./base.js";
import { keys } from "./frame.js";
import { ask } from "./room_ask.js";
import { holdStill, otherSpeed, skip } from "./room_time.js";
import { said } from "./room_words.js";

const TURN_MS = 70; // A treadle is told no more often than so.
const TURN_STEP = 16;
const AGAIN_MS = 1000; // A foot's way up that was not heard is told again so often.

// -- feet ---------------------------------------------------------------------------------------------------------

const down = new Map(); // Controls with a foot of this page on them, by what put it there.
const unheard = new Set(); // Controls that a foot has left, and nobody was told.
let pedals = [];
let controls = new Map();
let treadle = null;

function press(by, control) {
  if (down.has(by)) return;
  down.set(by, control);
  if (unheard.has(control)) leave(control);
  ask({ do: "move", pedal: control.pedal, control: control.name, down: true });
  show(control);
}

function release(by) {
  const control = down.get(by);
  if (!control) return;
  down.delete(by);
  leave(control);
  show(control);
}

// Said twice, it does nothing the second time.
async function leave(control) {
  unheard.delete(control);
  const sent = await ask({ do: "move", pedal: control.pedal, control: control.name, down: false });
  if (!sent) unheard.add(control);
}

function leaveAgain() {
  const under = new Set(down.values());
  for (const control of [...unheard]) if (!under.has(control)) leave(control);
}

function releaseAll() {
  for (const by of [...down.keys()]) release(by);
}

function show(control) {
  const is = control.down || [...down.values()].includes(control);
  flag(control.button, "down", is);
  say(control.state, is ? "down" : "");
}

function turn(control, value) {
  control.wanted = value;
  // Another page may have turned it since.
  if (control.stands !== value) control.told = null;
  if (control.timer) return;
  const tell = () => {
    control.timer = null;
    if (control.wanted === control.told) return;
    control.told = control.wanted;
    ask({ do: "turn", pedal: control.pedal, control: control.name, value: control.told });
    control.timer = setTimeout(tell, TURN_MS);
  };
  tell();
}

// -- the board ------------------------------------------------------------------------------------------------------

let laid = "";

export function feet(board) {
  const shape = JSON.stringify(
    board.pedals.map((pedal) => [pedal.name, pedal.listener, pedal.controls.map((one) => [one.name, one.key, one.turns])]),
  );
  if (shape !== laid) lay(board);
  laid = shape;
  board.pedals.forEach((pedal, at) => {
    const whose = pedal.listener ? `, ${pedal.listener}` : "";
    say(pedals[at].title, `${pedal.name}${whose}${pedal.layer ? ` – layer ${pedal.layer}` : ""}`);
    const lamps = pedal.lamps.map((lamp) => `${lamp.shows}: ${lamp.says}`).join(" · ");
    say(pedals[at].lamps, lamps ? `lamps – ${lamps}` : "");
    pedals[at].lamps.hidden = !lamps;
    pedal.controls.forEach((one, which) => {
      const control = controls.get(`${at} ${which}`);
      control.down = one.down;
      const does = one.does.length ? one.does : ["nothing"];
      if (control.does !== does.join("\n")) {
        control.does = does.join("\n");
        control.list.replaceChildren(...does.map((text) => make("span", "does", said(text))));
      }
      if (one.turns) {
        control.stands = one.value;
        if (one.value !== null && document.activeElement !== control.button) control.button.value = String(one.value);
      } else show(control);
    });
  });
}

function lay(board) {
  releaseAll();
  treadle = null;
  pedals = [];
  controls = new Map();
  const found = board.pedals.map((pedal, at) => {
    const box = make("section", "pedal");
    const title = make("h3");
    const lamps = make("p", "lamps");
    const list = make("div", "controls");
    title.id = `pedal-${at}`;
    box.setAttribute("aria-labelledby", title.id);
    pedals.push({ title, lamps });
    pedal.controls.forEach((one, which) => {
      const control = { pedal: pedal.name, name: one.name, key: one.key, turns: one.turns };
      controls.set(`${at} ${which}`, control);
      list.append(one.turns ? treadleOf(control) : switchOf(control));
    });
    for (const [first, second, does] of pedal.pairs) {
      list.append(make("span", "does", `${first} and ${second} together: ${said(does)}`));
    }
    box.append(title, list, lamps);
    return box;
  });
  $("feet").replaceChildren(...found);
}

function nameOf(control) {
  const name = make("span", "name");
  if (control.key) name.append(make("kbd", "", control.key));
  name.append(named(control.name));
  control.state = make("span", "state");
  name.append(control.state);
  return name;
}

function switchOf(control) {
  const button = make("button");
  button.type = "button";
  control.button = button;
  control.list = make("span");
  button.append(nameOf(control), control.list);
  button.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    button.setPointerCapture(event.pointerId);
    press(`pointer ${event.pointerId}`, control);
  });
  for (const name of ["pointerup", "pointercancel", "lostpointercapture"]) {
    button.addEventListener(name, (event) => release(`pointer ${event.pointerId}`));
  }
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  button.addEventListener("keydown", (event) => {
    if (event.key !== " " && event.key !== "Enter") return;
    event.preventDefault();
    if (!event.repeat) press(`focus ${event.key}`, control);
  });
  button.addEventListener("keyup", (event) => {
    if (event.key === " " || event.key === "Enter") {
      event.preventDefault();
      release(`focus ${event.key}`);
    }
  });
  button.addEventListener("blur", () => {
    for (const by of ["focus  ", "focus Enter"]) release(by);
  });
  return button;
}

function treadleOf(control) {
  const label = make("label");
  const range = make("input");
  range.type = "range";
  range.min = "0";
  range.max = "127";
  range.value = "64";
  control.button = range;
  control.list = make("span");
  range.addEventListener("input", () => {
    treadle = control;
    turn(control, Number(range.value));
  });
  label.append(nameOf(control), range, control.list);
  return label;
}

// -- keys -------------------------------------------------------------------------------------------------------------

const OTHERS = [
  { key: "h", words: "hold still, or go on", does: holdStill },
  { key: "d", words: "at ten times the speed, or at that of a stage", does: otherSpeed },
  { key: "q", words: "skip ahead, to what comes next by itself", does: skip },
  { key: "t", words: "into the table; arrows go on from cell to cell, Enter says why", does: toTable },
  { key: "+", words: "turn the treadle of the last key, or the first one, up", does: () => turnBy(1) },
  { key: "-", words: "turn it down", does: () => turnBy(-1) },
  { key: "?", words: "these keys", does: () => $("help").click() },
];

function toTable() {
  document.querySelector('#table td[tabindex="0"]')?.focus();
}

function turnBy(way) {
  const control = treadle ?? [...controls.values()].find((one) => one.turns);
  if (!control) return;
  // A board on its way may not know yet of what is being turned.
  const from = control.timer ? control.wanted : Number(control.button.value);
  const value = Math.min(127, Math.max(0, from + way * TURN_STEP));
  control.button.value = String(value);
  turn(control, value);
}

// What the sheet of keys says.
export function keyRows() {
  const rows = [...controls.values()]
    .filter((control) => control.key)
    .map((control) => [control.key, control.turns ? `chooses ${control.name} of ${control.pedal}` : `${control.name} of ${control.pedal}, a foot as long as it is down`]);
  const others = OTHERS.map((one) => [one.key, one.words]);
  return [...rows, ...others, ["Tab", "on to the next control; a switch has Space and Enter as a foot, too"]];
}

// A key that stands for a control is a foot on it.
function step(event) {
  const control = [...controls.values()].find((one) => one.key === event.key);
  if (control?.turns) {
    treadle = control;
    control.button.focus();
  } else if (control) press(`key ${event.code}`, control);
  return Boolean(control);
}

keys(OTHERS, step);
setInterval(leaveAgain, AGAIN_MS);
addEventListener("keyup", (event) => release(`key ${event.code}`));
// A key whose way up goes elsewhere would hold its foot down for ever.
addEventListener("blur", releaseAll);
addEventListener("pagehide", releaseAll);
document.addEventListener("visibilitychange", () => document.visibilityState === "hidden" && releaseAll());
