// The rehearsal room: the table of levels, and what is told beside it.

import { $, bare, clock, counted, flag, hear, level, make, named, put, row, say, tell as tellState } from "./base.js";
import { light, sheet } from "./frame.js";
import { ask } from "./room_ask.js";
import { feet, keyRows } from "./room_feet.js";
import { see } from "./room_rows.js";
import { time } from "./room_time.js";
import { said } from "./room_words.js";

// -- the table -------------------------------------------------------------------------------------------------

const table = { width: 0, listeners: [], inputs: [], cells: [], heads: [], shown: [], desk: [], board: null, at: 0 };
const UNKNOWN = "–";
const [UP, DOWN] = ["▲", "▼"];

const plain = (shown) => bare(shown, UNKNOWN);

// The table anew, where inputs or listeners are others than before.
function lay(board) {
  const names = JSON.stringify([board.inputs, board.listeners]);
  if (names === table.names) return;
  const [down, across] = [board.inputs.length, board.listeners.length];
  Object.assign(table, { names, width: down, inputs: board.inputs, listeners: board.listeners, shown: [], heads: [] });
  table.cells = new Array(down * across);
  const head = [make("th", "", "dB")];
  head[0].scope = "col";
  for (const listener of board.listeners) {
    const one = make("th");
    one.scope = "col";
    const note = make("span", "note");
    one.append(named(listener), note);
    table.heads.push(note);
    head.push(one);
  }
  $("head").replaceChildren(...head);
  put($("table"), "--across", String(across));
  const rows = board.inputs.map((input, column) => {
    const row = make("tr");
    const name = make("th");
    name.scope = "row";
    name.append(named(input));
    row.append(name);
    for (let listener = 0; listener < across; listener += 1) {
      const cell = make("td");
      cell.tabIndex = -1;
      cell.dataset.send = String(listener * down + column);
      const parts = ["level", "way", "by"].map((kind) => make("span", kind));
      cell.append(...parts);
      row.append(cell);
      table.cells[listener * down + column] = { cell, parts };
    }
    return row;
  });
  $("rows").replaceChildren(...rows);
  table.at = 0;
  table.cells[0].cell.tabIndex = 0;
}

// One cell as it should be; only what differs is touched.
function draw(send, moved) {
  const { board, desk } = table;
  const driven = board.wanted[send] !== null;
  const stands = desk[send];
  const text = tenths(driven ? (stands ?? board.wanted[send]) : null);
  const way = moved ? `${sign(moved)} ${plain(moved[1])} → ${plain(moved[2])}` : "";
  const by = moved ? board.layers[moved[3]].short : "";
  const shown = `${text}|${way}|${by}`;
  if (table.shown[send] === shown) return;
  const { cell, parts } = table.cells[send];
  table.shown[send] = shown;
  say(parts[0], text);
  say(parts[1], way);
  say(parts[2], by);
  flag(parts[0], "none", !driven);
  flag(cell, "moved", Boolean(moved));
  flag(cell, "up", way.startsWith(UP));
  flag(cell, "down", way.startsWith(DOWN));
}

// A level in tenths of a dB, which stand well below each other; the line below the table has it exactly.
function tenths(shown) {
  return typeof shown === "number" ? said((shown / 100).toFixed(1)).replace("−0.0", "0.0") : plain(shown);
}

const height = (shown) => (typeof shown === "number" ? shown : shown === "off" ? -1e6 : -2e6);

// Which way a level has moved; neither, where it was not known before.
function sign([, before, after]) {
  if (before === null || height(after) === height(before)) return "•";
  return height(after) > height(before) ? UP : DOWN;
}

function room(board) {
  const step = JSON.stringify(board.moved);
  const isNew = step !== table.step;
  table.step = step;
  table.board = board;
  lay(board);
  const moved = new Map(board.moved.map((one) => [one[0], one]));
  table.moved = moved;
  for (let send = 0; send < table.cells.length; send += 1) draw(send, moved.get(send));
  if (isNew) freshen(moved);
  table.heads.forEach((note, listener) => {
    const hushed = board.hushed.includes(listener) ? "hushed" : "";
    const held = board.held.includes(listener) ? "held by mix ceiling" : "";
    say(note, [hushed, held].filter(Boolean).join(", "));
  });
  say($("show"), board.show + (board.venue ? `, ${board.venue}` : ""));
  say($("place"), where(board.place));
  last(board);
  story(board.lines);
  tell();
}

// What has just moved is flashed once, where motion is welcome; the first of it, as it is read, is seen.
function freshen(moved) {
  for (const { cell } of table.fresh ?? []) cell.classList.remove("fresh");
  table.fresh = [...moved.keys()].map((send) => table.cells[send]);
  const [first] = [...moved.keys()].sort((one, other) => (one % table.width) - (other % table.width) || one - other);
  see(table.cells[first]?.cell);
  requestAnimationFrame(() => table.fresh.forEach(({ cell }) => cell.classList.add("fresh")));
}

function desk(board) {
  table.desk = board.levels;
  if (table.board === null || board.levels.length !== table.cells.length) return;
  for (let send = 0; send < table.cells.length; send += 1) draw(send, table.moved.get(send));
  tell();
}

function where(place) {
  const song = place.number ? `${place.number} of ${place.songs}: ${place.song}` : "before the first song";
  const section = place.section ? `, ${place.section}` : "";
  const over = place.base ? ", fallen back to the base" : "";
  return song + section + (place.scene ? `, ${place.scene} over it` : "") + over;
}

// What the cell under the focus, or the first, comes from.
function tell() {
  const { board, at, desk: stands } = table;
  const [listener, column] = [Math.floor(at / table.width), at % table.width];
  const layer = board.layers[board.makers[at]];
  const name = `${table.inputs[column]} in the mix of ${table.listeners[listener]}`;
  if (board.wanted[at] === null) {
    say($("cell"), `${name}: ${board.place.recalled ? "the show does not drive it" : "nothing was recalled yet"}`);
    return;
  }
  const moving = stands[at] !== undefined && level(stands[at]) !== level(board.wanted[at]);
  const wanted = moving ? `, wanted ${level(board.wanted[at])}` : "";
  const by = ` – made by: ${layer.words}${layer.place ? ` (${layer.place})` : ""}`;
  const stood = table.moved.get(at);
  const was = stood ? `; the last step: ${plain(stood[1])} → ${plain(stood[2])}, ${board.layers[stood[3]].words}` : "";
  say($("cell"), `${name}: ${level(stands[at] ?? board.wanted[at])}${wanted}${by}${was}. Enter: the whole account`);
}

function focusOn(send) {
  table.cells[table.at].cell.tabIndex = -1;
  table.at = send;
  table.cells[send].cell.tabIndex = 0;
}

const STEPS = { ArrowRight: [1, 0], ArrowLeft: [-1, 0], ArrowDown: [0, 1], ArrowUp: [0, -1] };

function onTable(event) {
  const send = Number(event.target.closest("td")?.dataset.send ?? -1);
  if (send < 0 || event.ctrlKey || event.altKey || event.metaKey) return;
  const [listener, column] = [Math.floor(send / table.width), send % table.width];
  const step = STEPS[event.key];
  let to = null;
  if (step) {
    const across = Math.min(table.listeners.length - 1, Math.max(0, listener + step[0]));
    const down = Math.min(table.width - 1, Math.max(0, column + step[1]));
    to = across * table.width + down;
  } else if (event.key === "Home") to = column;
  else if (event.key === "End") to = (table.listeners.length - 1) * table.width + column;
  else if (event.key === "Enter" && !event.repeat) explain(send);
  else return;
  event.preventDefault();
  if (to !== null) table.cells[to].cell.focus();
}

// -- why a level is what it is ------------------------------------------------------------------------------------

function explain(send) {
  const [listener, column] = [Math.floor(send / table.width), send % table.width];
  table.asked = true;
  ask({ do: "explain", listener: table.listeners[listener], input: table.inputs[column] });
}

function why(board) {
  say($("why-title"), `${board.input} in the mix of ${board.listener}`);
  const rows = board.lines.map((one) => row([one.what, said(one.did), level(one.level) || UNKNOWN, one.place]));
  $("why-rows").replaceChildren(...rows);
  // The last account comes with every new page, too.
  if (table.asked && !$("why").open) $("why").showModal();
  table.asked = false;
}

// -- what happened --------------------------------------------------------------------------------------------------

function last(board) {
  const one = board.last;
  if (one === null) return;
  const who = one.who ? `${one.who}: ` : "";
  const foot = one.where ? ` (${one.where})` : "";
  const to = one.to ? ` → ${one.to}` : "";
  const came = one.refused ? ` – ✕ refused: ${one.refused}` : "";
  say($("last"), said(who + one.what + foot + to + came));
}

function story(lines) {
  const rows = lines.map((line) => {
    const row = make("li");
    const found = /^\s*(\S+) {2}(.*)$/s.exec(line);
    row.append(make("span", "at", said(found ? found[1] : "")), make("span", "", said(found ? found[2] : line)));
    return row;
  });
  $("story").replaceChildren(...rows);
}

function wire(board) {
  const sums = board.sums
    .slice()
    .reverse()
    .slice(0, 2)
    .map((one) => {
      // They leave as fast as the wire takes them, so that the last is still on it when all are told.
      const over = one.over ? `, told within ${lasting(one.over)}` : "";
      const takes = one.takes === null ? "" : `; wire time ${lasting(one.takes / 1000)}`;
      return make("li", "", `${one.to}: ${counted(one.messages, "message")}, ${counted(one.bytes, "byte")}${over}${takes}`);
    });
  $("sums").replaceChildren(...sums);
  const rows = board.messages
    .slice()
    .reverse()
    .map((one) => {
      const message = document.createDocumentFragment();
      message.append(make("span", "bytes", said(one.bytes)));
      if (one.means) message.append(make("span", "means", said(one.means)));
      const takes = one.takes === null ? UNKNOWN : `${(one.takes / 1000).toFixed(2)} ms`;
      return row([fine(one.at), one.to, message, takes]);
    });
  $("wire").replaceChildren(...rows);
}

const lasting = (ms) => (ms < 1000 ? `${ms.toFixed(ms < 10 ? 1 : 0)} ms` : `${(ms / 1000).toFixed(2)} s`);
const fine = (ms) => `${clock(ms)}.${String(ms % 1000).padStart(3, "0")}`;

// -- files ------------------------------------------------------------------------------------------------------------

function files(board) {
  $("files").hidden = board.sound;
  if (board.sound) return;
  say($("files-said"), "✕ The saved files have faults. The night goes on by the last good ones.");
  const rows = board.faults.map((fault) => {
    const row = make("li");
    row.append(make("span", "at", fault.place), make("span", "", `: ${fault.text}`));
    return row;
  });
  if (board.text) rows.push(make("li", "", board.text));
  if (board.more) rows.push(make("li", "", `and ${board.more} more`));
  $("faults").replaceChildren(...rows);
}

// -- all of it ----------------------------------------------------------------------------------------------------------

// How long each board has taken, ms, the last of them; for whoever measures (W3C User Timing).
const KEPT_MAX = 500;

function measured(name, does) {
  return (board) => {
    const began = performance.now();
    does(board);
    if (performance.getEntriesByName(name).length >= KEPT_MAX) performance.clearMeasures(name);
    performance.measure(name, { start: began, end: performance.now() });
  };
}

function state(is) {
  tellState($("live"), is);
  flag($("live"), "wrong", ["old", "over", "key"].includes(is.is));
}

$("rows").addEventListener("keydown", onTable);
$("rows").addEventListener("focusin", (event) => {
  const cell = event.target.closest("td");
  if (cell) focusOn(Number(cell.dataset.send));
  if (cell && table.board) tell();
});
$("rows").addEventListener("click", (event) => event.target.closest("td")?.focus());
$("rows").addEventListener("dblclick", (event) => {
  const cell = event.target.closest("td");
  if (cell) explain(Number(cell.dataset.send));
});
sheet(keyRows);
$("why-close").addEventListener("click", () => $("why").close());
$("why").addEventListener("close", () => table.cells[table.at]?.cell.focus());
light();
hear({
  boards: Object.fromEntries(
    Object.entries({ room, desk, feet, timeline: time.board, set: time.set, wire, files, why }).map(([name, does]) => [
      name,
      measured(name, does),
    ]),
  ),
  state,
});
