// The rehearsal's time: the night's clock, how fast it passes, the song's sections with the track in them, and jumps.

import { $, choices, clock, flag, make, named, now, put, say } from "./base.js";
import { ask } from "./room_ask.js";

const LOOK_MS = 100;

let shown = null;
let drawn = "";

// The rehearsal's time by its board, ms; it counts on from there at the board's rate.
function night() {
  return shown.at + (now() - shown.now) * shown.rate;
}

function position() {
  if (!shown.track) return null;
  return shown.track.position + (shown.track.runs ? night() - shown.at : 0);
}

function board(is) {
  shown = is;
  lay();
  const still = is.still;
  $("still").setAttribute("aria-pressed", String(still));
  say($("still"), still ? "go on" : "hold still");
  $("one").setAttribute("aria-pressed", String(is.speed === 1));
  $("ten").setAttribute("aria-pressed", String(is.speed === 10));
  $("leave").hidden = is.plays === null;
  $("replay").hidden = is.plays !== null;
  for (const name of ["start", "here", "pause", "stop"]) $(name).disabled = is.cue === null;
  say($("pause"), is.track && !is.track.runs ? "go on with track" : "pause");
  tick();
}

// The sections of the song, as wide as they last, where the track says it; all as wide where feet bring them.
function lay() {
  const key = JSON.stringify([shown.sections, shown.length, shown.lead, shown.place.stop]);
  if (key === drawn) return;
  drawn = key;
  const rows = shown.sections.map((section, at) => {
    const row = make("li");
    const first = at === 0;
    row.append(named(section.name ?? shown.place.song));
    const by = first ? (shown.place.number ? "the song" : "before the first song") : section.at === null ? "by foot" : `${clock(section.at)} by itself`;
    const here = section.stop === shown.place.stop;
    row.append(make("span", "at", here ? `▸ here · ${by}` : by));
    flag(row, "here", here);
    if (here) row.setAttribute("aria-current", "step");
    put(row, "flex-grow", String(isTimed() ? share(at) : 1));
    return row;
  });
  $("line").replaceChildren(...rows);
}

// Whether every section says where it begins, and the song how long it is.
function isTimed() {
  return shown.length !== null && shown.sections.every((one, at) => at === 0 || one.at !== null);
}

function share(at) {
  const begins = at === 0 ? -shown.lead : shown.sections[at].at;
  const ends = at + 1 < shown.sections.length ? shown.sections[at + 1].at : shown.length;
  return Math.max(1, ends - begins) / (shown.length + shown.lead);
}

function tick() {
  if (shown === null) return;
  say($("night"), clock(night()));
  const needle = $("needle");
  const track = position();
  const length = shown.length === null ? "" : ` of ${clock(shown.length)}`;
  const rate = shown.rate === 0 ? "time stands still" : shown.rate === 1 ? "" : `${shown.rate}×`;
  let text = shown.place.number ? `in the song ${clock(night() - shown.began)}${shown.track ? "" : length}` : "";
  if (track !== null) text = `track at ${clock(track)}${length}${shown.track.runs ? "" : ", paused"}`;
  else if (shown.starts !== null) text = `its track starts in ${clock(Math.max(0, shown.starts - night()))}`;
  else if (shown.cue) text += shown.cue.press ? ", its track waits for a press" : ", its track is silent";
  const plays = shown.plays === null ? "" : `${shown.plays}: ${shown.done} done`;
  const next = shown.next === null ? "" : `, the next in ${clock(Math.max(0, shown.next - night()))}`;
  say($("in-song"), [text, rate, plays + next].filter(Boolean).join(" · "));
  needle.hidden = track === null || !isTimed();
  if (!needle.hidden) put(needle, "--at", String(Math.min(1, (track + shown.lead) / (shown.length + shown.lead))));
}

// -- jumps -------------------------------------------------------------------------------------------------------

const stops = [];

function set(board) {
  stops.length = 0;
  const texts = [];
  for (const song of board.songs) {
    stops.push({ song: song.name, number: song.number, section: "" });
    texts.push(song.number ? `${song.number} ${song.name}` : song.name);
    for (const section of song.sections) {
      stops.push({ song: song.name, number: song.number, section: section.name });
      texts.push(`    ${section.name}`);
    }
  }
  choices($("stops"), texts.map((text, at) => [String(at), text]));
}

const clicks = {
  still: () => ask({ do: shown?.still ? "go on" : "hold still" }),
  one: () => ask({ do: "speed", is: 1 }),
  ten: () => ask({ do: "speed", is: 10 }),
  skip: () => ask({ do: "skip" }),
  jump: () => ask({ do: "jump", ...stops[Number($("stops").value)] }),
  start: () => ask({ do: "start cue" }),
  here: () => ask({ do: "start here" }),
  pause: () => ask({ do: "pause cue" }),
  stop: () => ask({ do: "stop cue" }),
  replay: () => ask({ do: "replay last night" }),
  leave: () => ask({ do: "leave" }),
};
for (const [name, does] of Object.entries(clicks)) $(name).addEventListener("click", does);

export function holdStill() {
  clicks.still();
}

export function otherSpeed() {
  (shown?.speed === 1 ? clicks.ten : clicks.one)();
}

export function skip() {
  clicks.skip();
}

setInterval(tick, LOOK_MS);

export const time = { board, set };
