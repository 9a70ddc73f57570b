// What every page of stagectl shares: elements, times and levels, boards by server-sent events and how old they are, wants.

export const STALE_MS = 5000; // Nothing heard for so long: what is shown is old.
const AGAIN_MS = 2000; // A stream that the browser has given up is opened anew after so long,
const KEY_AGAIN_MS = 10_000; // and after so long where a key is needed, which somebody has to fetch.
const NO_KEY = 403;
const LOOK_MS = 500;

// -- text and elements ---------------------------------------------------------------------------------------

export const $ = (id) => document.getElementById(id);

// An element with a class, a text and an address. Text is only ever text: no name can become markup.
export function make(tag, kind, text) {
  const one = document.createElement(tag);
  if (kind) one.className = kind;
  if (text !== undefined) one.textContent = text;
  return one;
}

// Set a text where it differs, so that nothing is laid out anew for nothing.
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

// A name in a direction of its own (Unicode UAX 9: isolate), so that it turns round nothing beside it.
export function named(text, kind) {
  const one = make("bdi", kind, text);
  one.dir = "auto";
  return one;
}

// A row of a table, each cell a text or an element.
export function row(cells) {
  const one = make("tr");
  for (const cell of cells) {
    const data = make("td");
    data.append(cell);
    one.append(data);
  }
  return one;
}

// The choices of a list, `[value, text]` each; what was chosen stays so, where it is still there.
export function choices(list, pairs) {
  const chosen = list.value;
  list.replaceChildren(
    ...pairs.map(([value, text]) => {
      const one = make("option", "", text);
      one.value = value;
      one.selected = value === chosen;
      return one;
    }),
  );
}

export const counted = (number, what) => `${number} ${what}${number === 1 ? "" : "s"}`;

export function flag(element, name, on) {
  if (element.classList.contains(name) !== on) element.classList.toggle(name, on);
}

export function put(element, name, value) {
  if (element.style.getPropertyValue(name) !== value) element.style.setProperty(name, value);
}

// -- times and levels ------------------------------------------------------------------------------------------

// Seconds as `7:05`, `1:02:03`; below 0 with a minus.
export function clock(ms) {
  const all = Math.floor(Math.abs(ms) / 1000);
  const [hours, minutes, seconds] = [Math.floor(all / 3600), Math.floor(all / 60) % 60, all % 60];
  const two = (number) => String(number).padStart(2, "0");
  const sign = ms < 0 && all ? "−" : "";
  return sign + (hours ? `${hours}:${two(minutes)}:${two(seconds)}` : `${minutes}:${two(seconds)}`);
}

// How far the clock on the wall is ahead of UTC where the show is, minutes; null until a board has said it. In a night in
// which the clocks are changed, `turn` says when, and how far they are ahead before and after.
let utc = null;
let turn = null;

// A time on the wall where the show is, whatever zone this browser is set to: `21:42`.
export function wall(ms) {
  const there = turn ? (ms < turn.at ? turn.before : turn.after) : utc;
  const at = new Date(ms + (there ?? -new Date(ms).getTimezoneOffset()) * 60_000);
  return `${at.getUTCHours()}:${String(at.getUTCMinutes()).padStart(2, "0")}`;
}

// How long ago, in words that do not tremble.
export function ago(ms) {
  const seconds = Math.max(0, Math.round(ms / 1000));
  if (seconds < 2) return "just now";
  if (seconds < 60) return `${seconds} s ago`;
  return seconds < 3600 ? `${Math.floor(seconds / 60)} min ago` : `${Math.floor(seconds / 3600)} h ago`;
}

// Hundredths of a dB with a sign: `+1.5`, `−6`, `0`.
export function signed(hundredths) {
  const size = String(Math.abs(hundredths) / 100);
  return hundredths > 0 ? `+${size}` : hundredths < 0 ? `−${size}` : "0";
}

// A text of the program with the same sign for less that numbers of the page have.
export function minus(text) {
  return text.replace(/(^|[\s([,:/])-(?=\d)/g, "$1−");
}

// A level without its unit: `−6`, `off`; `none` where there is none.
export function bare(shown, none = "") {
  return shown === null || shown === undefined ? none : shown === "off" ? shown : signed(shown).replace("+", "");
}

export function level(shown) {
  const text = bare(shown);
  return text && text !== "off" ? `${text} dB` : text;
}

// -- the stream ------------------------------------------------------------------------------------------------

// How far the program's clock is ahead of the time since this page was opened, which nobody can set, ms: of the last
// beats, that which came with the least delay. Where one is behind it by more than `SET_MS`, the program's clock was set.
const BEATS = 8;
const SET_MS = 1000;
let beats = [];
let heardAt = null;

// The program's time on the wall, ms.
export function now() {
  return beats.length ? performance.now() + Math.max(...beats) : Date.now();
}

// A beat has come, sent at that time on the program's wall.
export function beat(sent) {
  const ahead = sent - performance.now();
  if (ahead < Math.max(...beats) - SET_MS) beats = [];
  beats = [...beats, ahead].slice(-BEATS);
}

function heard() {
  heardAt = performance.now();
}

// Hear boards. `boards`: a function for each name. `you`: told what this client may do. `state`: told whether what is
// shown is `live`, `old` (with its age, ms, and perhaps why), `over` (and why), or old and a new `key` is needed. Returns
// nothing; it goes on for ever.
export function hear({ boards, you, state }) {
  let source = null;
  let over = null;
  let refused = null; // The answer to who asked for the stream: its `code` and its `text`.
  const opened = performance.now();

  function open() {
    source = new EventSource("/live");
    source.addEventListener("open", () => {
      beats = [];
      over = refused = null;
      look();
    });
    source.addEventListener("you", (event) => {
      heard();
      you?.(JSON.parse(event.data));
    });
    source.addEventListener("beat", (event) => {
      heard();
      beat(JSON.parse(event.data).now);
      look();
    });
    source.addEventListener("gone", (event) => {
      over = JSON.parse(event.data).why;
      look();
    });
    for (const [name, take] of Object.entries(boards)) {
      source.addEventListener(name, (event) => {
        const board = JSON.parse(event.data);
        // The last board may be an old one, given to a client that has just come: it says nothing of the clock.
        heard();
        if (board.utc !== undefined) ({ utc, turn = null } = board);
        take(board);
        look();
      });
    }
    source.addEventListener("error", () => {
      // After an answer that is no stream, the browser gives up, and says nothing of it (WHATWG HTML, 9.2.3); we do not.
      if (source.readyState === EventSource.CLOSED) again();
      look();
    });
  }

  async function again() {
    refused = await refusal();
    setTimeout(open, refused?.code === NO_KEY ? KEY_AGAIN_MS : AGAIN_MS);
    look();
  }

  function look() {
    const age = performance.now() - (heardAt ?? opened);
    if (refused?.code === NO_KEY) state({ is: "key", age });
    else if (over !== null) state({ is: "over", why: over, age });
    else if (age > STALE_MS) state({ is: "old", age, never: heardAt === null, why: refused?.text });
    else state({ is: heardAt === null ? "opening" : "live", age });
  }

  open();
  setInterval(look, LOOK_MS);
}

// Why there is no stream: what is answered to who asks for it; null where nothing is, or where it would be given.
async function refusal() {
  try {
    const answer = await fetch("/live", { signal: AbortSignal.timeout(STALE_MS) });
    if (!answer.ok) return { code: answer.status, text: (await answer.text()).trim() };
    await answer.body.cancel();
  } catch {
    // Nobody answers.
  }
  return null;
}

const STATES = ["live", "old", "over", "key"];
export const NEW_KEY = "scan the code at the computer again";

// The sentence for a state of the stream: what stands before its age, the age, and what stands behind.
function parts(state) {
  const age = clock(state.age);
  const why = state.why ? `${state.why.replace(/\.$/, "")}; trying again.` : "No connection to stagectl; trying again.";
  if (state.is === "key") return [`A new key is needed: ${NEW_KEY}. What you see is`, ` ${age}`, " old."];
  if (state.is === "over") return [`It is over: ${state.why}. What you see is as it was at the end.`, "", ""];
  if (state.is === "old" && state.never) return ["No connection to stagectl", ` for ${age}`, ". Trying again."];
  if (state.is === "old") return ["OLD: what you see is", ` ${age}`, ` old. ${why}`];
  return [state.is === "opening" ? "Connecting" : "live", "", ""];
}

// Say a state of the stream in the strip that is for it. Its age is for eyes only: who is read to is told of a change,
// not of each second (WAI-ARIA 1.2, 6.6.1: what is hidden is no part of a live region).
export function tell(strip, state) {
  if (strip.childNodes.length !== 3) {
    const age = make("span");
    age.setAttribute("aria-hidden", "true");
    strip.replaceChildren("", age, "");
  }
  parts(state).forEach((text, at) => say(strip.childNodes[at], text));
  for (const name of STATES) flag(document.body, `is-${name}`, state.is === name);
}

// -- wants -------------------------------------------------------------------------------------------------------

// Ask for something. Gives whether it was taken, and a sentence; what came of it shows on the board.
export async function want(what) {
  try {
    const answer = await fetch("/want", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(what),
      credentials: "same-origin",
      signal: AbortSignal.timeout(STALE_MS),
    });
    const text = (await answer.text()).trim();
    return { sent: answer.ok, text: answer.ok ? "asked" : `not done: ${text || `refused (${answer.status})`}` };
  } catch (error) {
    const late = error.name === "TimeoutError";
    return { sent: false, text: late ? "no answer: look whether it was done" : "not sent: no connection to stagectl" };
  }
}
