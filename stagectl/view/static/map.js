// The map of the set: songs and sections across, inputs down, level by shade and number, jumps marked.
import { $, bare, choices, flag, hear, make, named, say, signed, tell } from "./base.js";
import { light } from "./frame.js";

const SHADES = 8; // From nothing to the loudest.
const [QUIET, LOUD] = [-3000, 0]; // Hundredths of a dB that shades run between.

let map = null;
let here = -1;

// -- levels ------------------------------------------------------------------------------------------------------

// A row says only where its level changes: [stop, level] each, the level until the next. All stops of it.
function spread(runs, stops) {
  const levels = new Array(stops).fill(null);
  runs.forEach(([from, shown], index) => levels.fill(shown, from, runs[index + 1]?.[0] ?? stops));
  return levels;
}

function shade(shown) {
  if (typeof shown !== "number") return 0;
  return Math.max(0, Math.min(SHADES, Math.ceil((SHADES * (shown - QUIET)) / (LOUD - QUIET))));
}

function cellText(shown) {
  return shown === "off" ? "·" : bare(shown);
}

// -- the table -----------------------------------------------------------------------------------------------------

function draw() {
  const listener = map.listeners[$("whose").selectedIndex];
  if (!listener) return;
  const jumps = new Map();
  for (const one of map.jumps) {
    if (one.listener === listener.name) jumps.set(`${one.input}\n${one.stop}`, one.by);
  }
  const head = make("thead");
  head.append(songRow(), sectionRow());
  const body = make("tbody");
  for (const row of listener.rows) body.append(levelRow(row, listener, jumps));
  const caption = make("caption", "", "Mix of ");
  caption.append(named(listener.name));
  $("levels").replaceChildren(caption, head, body);
  mark();
}

function songRow() {
  const row = make("tr");
  const corner = make("th", "corner", "input");
  corner.scope = "col";
  corner.rowSpan = 2;
  row.append(corner);
  for (let at = 0; at < map.stops.length; ) {
    const { number, song } = map.stops[at];
    let end = at + 1;
    while (end < map.stops.length && map.stops[end].number === number) end += 1;
    const cell = make("th", "song");
    cell.colSpan = end - at;
    cell.scope = "colgroup";
    const text = make("div", "clip", number ? `${number} ` : "");
    text.append(named(song ?? "before"));
    text.title = song ?? "before the first song";
    cell.append(text);
    row.append(cell);
    at = end;
  }
  return row;
}

function sectionRow() {
  const row = make("tr");
  map.stops.forEach((stop, at) => {
    const cell = make("th", "section");
    cell.scope = "col";
    cell.dataset.stop = at;
    // A song without sections has one column for its name.
    const alone = map.stops.filter((one) => one.number === stop.number).length === 1;
    flag(cell, "alone", alone && stop.number > 0);
    const text = make("div", "clip");
    text.append(named(stop.section ?? (stop.number ? "beginning" : "base")));
    text.title = stop.section ?? "";
    cell.append(text);
    row.append(cell);
  });
  return row;
}

function levelRow({ input, runs }, listener, jumps) {
  const row = make("tr", input === listener.own ? "own" : "");
  const head = make("th");
  head.scope = "row";
  const text = make("div", "clip");
  text.append(named(input));
  text.title = input;
  head.append(text);
  row.append(head);
  spread(runs, map.stops.length).forEach((shown, at) => {
    const cell = make("td", `s${shade(shown)}`, cellText(shown));
    const by = jumps.get(`${input}\n${at}`);
    if (by !== undefined) {
      cell.classList.add("jump");
      cell.prepend(make("span", "", by > 0 ? "▲" : "▼"));
      cell.title = `${signed(by)} dB from the stop before`;
    }
    if (map.stops[at].section === null) cell.classList.add("first");
    row.append(cell);
  });
  return row;
}

// Where the night is.
function mark() {
  for (const cell of document.querySelectorAll("th.section")) flag(cell, "here", Number(cell.dataset.stop) === here);
}

function taken(board) {
  map = board;
  const over = board.too_big !== undefined;
  $("scroll").hidden = over;
  $("none").hidden = !over;
  if (over) {
    say($("none"), `This map has ${board.too_big} changes of level, too many for a page: stagectl sheet prints it.`);
    return;
  }
  say($("jump"), String(board.jump / 100));
  choices($("whose"), board.listeners.map((one) => [one.name, one.name]));
  draw();
}

function placed({ show, venue, place }) {
  say($("where"), [show, venue].filter(Boolean).join(" · "));
  if (!map?.stops) return;
  here = map.stops.findIndex((stop) => stop.number === place.number);
  if (here >= 0) here += place.at + 1;
  mark();
}

let last = null;
$("whose").addEventListener("change", draw);
light();
hear({
  boards: {
    map(board) {
      taken(board);
      if (last) placed(last);
    },
    stage(board) {
      last = board;
      placed(board);
    },
  },
  state(state) {
    tell($("live"), state);
  },
});
