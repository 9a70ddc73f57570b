// The stage page, and the page of one listener (/listener/NAME): the board `stage`, drawn.
import { $, ago, clock, counted, flag, hear, level, make, minus, named, NEW_KEY, now, put, say } from "./base.js";
import { signed, tell, wall } from "./base.js";
import { controls } from "./controls.js";
import { bigText, layout } from "./fit.js";
import { keys, light, sheet, stayLit } from "./frame.js";

const SPAN = 1200; // Hundredths of a dB that a bar has room for, each way; beyond it the number alone says how much.
const NAMES_MAX = 3; // Names that lamps of a kind name together; more are counted.
const NOTICE_MS = 300_000; // How long a reminder stays.
const TICK_MS = 200;

const at = {};
for (const id of ["show", "where", "live", "wall", "song", "section", "next", "next-tag", "in-song", "in-song-tag"]) at[id] = $(id);
for (const id of ["to-go", "to-go-tag", "last", "sign", "did", "ago", "came", "cards", "quiet"]) at[id] = $(id);
for (const id of ["wrong", "lamps", "stale"]) at[id] = $(id);

const whose = whoseOf(location.pathname);
const panel = controls($("controls"), whose);
let board = null;

function whoseOf(path) {
  if (!path.startsWith("/listener/")) return null;
  try {
    return decodeURIComponent(path.slice("/listener/".length));
  } catch {
    return path.slice("/listener/".length);
  }
}

// A name inside a sentence, in a direction of its own (Unicode UAX 9: first strong isolate).
const isolated = (name) => `\u2068${name}\u2069`;

// -- now and next ------------------------------------------------------------------------------------------------

function drawPlace(place) {
  const before = place.number === 0;
  say(at.show, whose ?? board.show);
  const counted = before ? `${place.songs} songs` : `song ${place.number} of ${place.songs}`;
  const part = place.at >= 0 && place.sections.length > 1 ? `, section ${place.at + 1} of ${place.sections.length}` : "";
  say(at.where, [...[whose ? board.show : null, board.venue].filter(Boolean).map(isolated), counted + part].join(" · "));
  say(at.song, before ? "before the first song" : place.song);
  const over = place.base ? "fallen back to the base" : place.scene;
  const beginning = place.sections.length && !before ? "beginning" : "";
  const here = place.section ?? beginning;
  say(at.section, over ? (here ? `${here}: ${over}` : over) : here);
  flag(at.section, "away", !place.section && !over);
  const next = place.next;
  say(at["next-tag"], next?.new_song ? "next song" : "next");
  say(at.next, next ? (next.section ?? next.song) : "nothing: this is the last");
  document.title = `${place.section ? `${place.song}, ${place.section}` : place.song} – stagectl`;
  bigText([at.song, at.section, at.next]);
}

// -- clocks: they go on by themselves ------------------------------------------------------------------------------

function drawClocks() {
  if (!board) return;
  const time = now();
  say(at.wall, wall(time));
  const { song_began, song_length, song_ends, song_left, rest, track, curfew, unsaid } = board.clock;
  let inSong = song_began === null ? null : time - song_began;
  let tag = "in the song";
  if (track) {
    inSong = track.runs ? time - track.at0 : track.stands;
    tag = track.runs ? (inSong < 0 ? "count-in of the track" : "in the track") : "track paused";
  }
  const length = track?.length ?? song_length;
  say(at["in-song"], inSong === null ? "–" : clock(inSong));
  say(at["in-song-tag"], length ? `${tag}, of ${clock(length)}` : tag);
  // While the song's track is paused, its end is as far away as it was.
  const toGo = rest === null ? null : (song_left ?? Math.max(0, song_ends - time)) + rest;
  // Songs whose length nobody has said are guessed: then seconds would say more than is known.
  const guessed = toGo !== null && unsaid > 0;
  say(at["to-go"], toGo === null ? "–" : guessed ? `${Math.ceil(toGo / 60_000)} min` : clock(toGo));
  const ends = toGo === null ? "" : ` (${wall(time + toGo)})`;
  say(at["to-go-tag"], `${guessed ? "about, " : ""}to the end${ends}${curfew === null ? "" : `, curfew ${wall(curfew)}`}`);
  drawAge(time);
}

// -- the last press --------------------------------------------------------------------------------------------------

// The page of one listener tells what concerns them; most often that is the last press of all.
const lastOf = (name) => (name !== null && Object.hasOwn(board.lasts, name) ? board.lasts[name] : board.last);

function drawLast(last) {
  flag(at.last, "refused", Boolean(last?.refused));
  flag(at.last, "untold", Boolean(last?.untold));
  say(at.sign, last ? (last.refused ? "✕" : last.untold ? "◇" : "✓") : "");
  say(at.did, last ? `${isolated(last.who)}: ${isolated(last.what)}` : "No press yet");
  say(at.came, last ? minus(cameText(last)) : "");
}

function cameText({ refused, untold, text }) {
  if (refused) return `refused: ${refused}`;
  return untold ? `the desk is away: not told yet: ${text}` : text || "done";
}

// How old it is stands outside of what is read out when it changes.
function drawAge(time) {
  const last = lastOf(whose);
  say(at.ago, last ? `, ${ago(time - last.at)}` : "");
}

// -- nudges ----------------------------------------------------------------------------------------------------------

const cards = new Map(); // By listener: what is drawn of it.

function busy(mix) {
  return mix.hushed || mix.mix.held || mix.nudges.length > 0;
}

function drawMixes(mixes) {
  const shown = whose === null ? mixes.filter(busy) : mixes.filter((one) => one.name === whose);
  say(at.quiet, quietText(mixes, shown));
  const room = whose === null ? layout(at.cards, shown.map((one) => one.nudges.length + (stateOf(one) ? 1 : 0))) : null;
  put(at.cards, "--columns", String(room?.columns ?? 1));
  put(at.cards, "--scale", String(room?.scale ?? 1));
  flag(at.cards, "flat", room?.flat ?? false);
  const names = new Set(shown.map((one) => one.name));
  for (const [name, card] of cards) {
    if (!names.has(name)) {
      card.root.remove();
      cards.delete(name);
    }
  }
  shown.forEach((one, index) => {
    let card = cards.get(one.name);
    if (!card) cards.set(one.name, (card = newCard(one.name)));
    if (at.cards.children[index] !== card.root) at.cards.insertBefore(card.root, at.cards.children[index] ?? null);
    drawCard(card, one, room?.rows ?? one.nudges.length + 1);
  });
}

function quietText(mixes, shown) {
  if (whose !== null) {
    if (shown.length) return shown[0].nudges.length ? "" : "nothing is nudged: all levels are as the song has them";
    return `nobody here is called “${isolated(whose)}”; there are ${mixes.map((one) => isolated(one.name)).join(", ")}`;
  }
  const quiet = mixes.filter((one) => !shown.includes(one)).map((one) => isolated(one.name));
  const away = board.desk ? "" : "The desk is away: this is what it is told when it comes. ";
  return quiet.length ? `${away}As the song has it: ${quiet.join(", ")}` : away;
}

function newCard(name) {
  const root = make("article", "card");
  const link = make("a");
  link.href = `/listener/${encodeURIComponent(name)}`;
  link.append(named(name));
  const head = make("h3");
  const [state, more] = [make("p", "state"), make("span", "more")];
  head.append(link, more);
  root.append(head, state);
  return { root, state, more, rows: [] };
}

function stateOf(mix) {
  const hushed = board.desk ? "hushed" : "hushed, desk away";
  return [mix.hushed ? hushed : "", mix.mix.held ? "mix at its ceiling" : ""].filter(Boolean).join(", ");
}

function drawCard(card, mix, most) {
  const state = stateOf(mix);
  say(card.state, state);
  card.state.hidden = !state;
  const listed = Math.min(Math.max(0, most - (state ? 1 : 0)), mix.nudges.length);
  while (card.rows.length > listed) card.rows.pop().root.remove();
  for (let index = 0; index < listed; index += 1) {
    if (!card.rows[index]) {
      card.rows[index] = newRow();
      card.root.append(card.rows[index].root);
    }
    drawRow(card.rows[index], mix.nudges[index], mix.hushed);
  }
  const left = mix.nudges.length + mix.more - listed;
  say(card.more, left ? (listed ? `${left} more` : counted(left, "nudge")) : "");
}

function newRow() {
  const root = make("div", "nudge");
  const [input, by, bar, words] = [named("", "input"), make("span", "by"), make("span", "bar"), make("span", "words")];
  const [fill, top] = [make("i"), make("b")];
  bar.append(fill, top);
  bar.setAttribute("aria-hidden", "true");
  const [number, note, brief] = [document.createTextNode(""), make("small", "note"), make("small", "brief")];
  by.append(number, note, brief);
  root.append(input, bar, by, words);
  return { root, input, by, bar, fill, top, number, note, brief, words };
}

const part = (hundredths) => 50 + (50 * Math.max(-SPAN, Math.min(SPAN, hundredths))) / SPAN;

function drawRow(row, one, hushed) {
  const key = JSON.stringify([one, board.desk, hushed]);
  if (row.key === key) return;
  row.key = key;
  say(row.input, one.input);
  row.number.data = signed(one.by);
  const full = one.room === 0 || one.held;
  say(row.note, ` ${rowNote(one) || "dB"}`);
  say(row.brief, one.held ? " held" : full ? " top" : "");
  const [from, to] = one.by < 0 ? [part(one.by), 50] : [50, part(one.by)];
  put(row.fill, "--from", `${from}%`);
  put(row.fill, "--wide", `${to - from}%`);
  flag(row.bar, "up", one.by >= 0);
  flag(row.bar, "down", one.by < 0);
  flag(row.bar, "lifted", one.lifted);
  flag(row.bar, "full", full);
  const top = one.room === null ? null : one.by + one.room;
  row.top.hidden = top === null || Math.abs(top) > SPAN;
  if (!row.top.hidden) put(row.top, "--top", `${part(top)}%`);
  say(row.words, rowWords(one, hushed));
}

function rowNote(one) {
  if (one.held) return "held";
  if (one.room === 0) return one.end === "ceiling" ? "at ceiling" : "at most";
  return one.lifted ? "from off" : "";
}

function rowWords(one, hushed) {
  const stands = board.desk ? `now ${level(one.level)}` : `wanted ${level(one.level)}, desk away`;
  const parts = [one.level === null ? "not driven here" : stands];
  if (one.lifted) parts.push("the song has it off");
  // Where a mix is hushed, a ceiling is that of when it is back.
  if (hushed) parts.push("hushed");
  else if (one.held) parts.push(`held at the ${one.end}`);
  else if (one.room === 0) parts.push(`at the ${one.end}`);
  else if (one.room !== null) parts.push(`${one.room / 100} dB left to the ${one.end}`);
  return parts.join(", ");
}

// -- lamps -----------------------------------------------------------------------------------------------------------

const ORDER = { wrong: 0, wait: 1, ok: 2 };

function drawLamps(lamps, notice) {
  const groups = new Map();
  for (const lamp of lamps) {
    // Each thing that is wrong says why; what is well is told together.
    const key = lamp.state === "ok" ? `ok ${lamp.what}` : `${lamp.state} ${lamp.what}`;
    if (!groups.has(key)) groups.set(key, []);
    groups.get(key).push(lamp);
  }
  const rows = [...groups.values()].sort((one, other) => ORDER[one[0].state] - ORDER[other[0].state]);
  const items = rows.map((some) => [some[0].state, lampText(some)]);
  const wrong = items.filter(([kind]) => kind === "wrong");
  const others = items.slice(wrong.length);
  if (notice && now() - notice.at < NOTICE_MS) others.unshift(["notice", minus(`${wall(notice.at)} ${notice.text}`)]);
  drawItems(at.wrong, wrong);
  drawItems(at.lamps, others);
}

function drawItems(list, items) {
  while (list.children.length > items.length) list.lastElementChild.remove();
  items.forEach(([kind, text], index) => {
    const row = list.children[index] ?? list.appendChild(make("li"));
    if (row.className !== kind) row.className = kind;
    say(row, text);
  });
}

function lampText(some) {
  const { what, state } = some[0];
  if (some.length === 1) {
    const called = some[0].name === what || some[0].name.includes(what) ? isolated(some[0].name) : `${what} ${isolated(some[0].name)}`;
    const { says } = some[0];
    return /^(is|does) /.test(says) ? `${called} ${says}` : `${called}: ${says}`;
  }
  if (state === "ok") return `${some.length} ${what}s: here`;
  const names = some.slice(0, NAMES_MAX).map((lamp) => isolated(lamp.name));
  const more = some.length > NAMES_MAX ? ` and ${some.length - NAMES_MAX} more` : "";
  return `${some.length} ${what}s ${state === "wait" ? "not here yet" : "gone"}: ${names.join(", ")}${more}`;
}

// -- all of it ---------------------------------------------------------------------------------------------------------

function draw() {
  if (!board) return;
  drawPlace(board.place);
  drawLast(lastOf(whose));
  drawClocks();
  drawLamps(board.lamps, board.notice);
  panel.board(board);
  drawMixes(board.listeners);
  flag(document.body, "scrolled", document.documentElement.scrollHeight > innerHeight);
}

// What the sheet of keys says below its table.
function noteControl() {
  say($("control-note"), panel.may() ? "" : "This page only shows. To control, open the address that `run --control` prints.");
}

const table = [
  { key: "?", says: "these keys", does: sheet(() => table.filter((one) => one.may?.() ?? true).map((one) => [one.key, one.says])) },
  { key: "d", says: "bright or dark", does: light() },
  { key: "m", says: "the map of the whole set", does: () => location.assign("/map") },
  ...panel.keys,
];

document.body.classList.toggle("one", whose !== null);
$("home").hidden = whose === null;
say(at.stale, `Controls need the new key: ${NEW_KEY}.`);
noteControl();
keys(table);
stayLit();
hear({
  boards: {
    stage(sent) {
      board = sent;
      performance.mark("board");
      draw();
      performance.measure("update", "board");
      performance.clearMarks("board");
      performance.clearMeasures("update");
      dispatchEvent(new Event("drawn"));
    },
  },
  you(you) {
    panel.may(you.control);
    noteControl();
    at.stale.hidden = you.control || !you.stale;
    $("room").hidden = you.kind !== "rehearsal";
  },
  state(state) {
    tell(at.live, state);
  },
});
setInterval(drawClocks, TICK_MS);
let resized = 0;
new ResizeObserver(() => {
  cancelAnimationFrame(resized);
  resized = requestAnimationFrame(draw);
}).observe(document.documentElement);
