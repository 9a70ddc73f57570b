// How big names can be, and how many columns of cards there is room for.
import { put } from "./base.js";

// Parts of the screen's diagonal: see the head of style.css.
const MOST = { song: 0.072, section: 0.072, next: 0.0655 };
const LEAST = 0.0524;
const LINE = 1.08; // The height of a line of a big name, of its size.
// In units of the page (`--u`), as in style.css: the least width of a card and the gap between two; the heights of its
// name with the gap to the next, and of a nudge in two lines and in one.
const [CARD_MIN, GAP, HEAD, TALL, FLAT] = [11, 1.5, 2.4, 2.4, 1.6];
const WAYS = [
  [1.8, false],
  [1.5, false],
  [1.25, false],
  [1, false],
  [1, true],
];
const SCROLLED = 4; // Nudges of each card where the page is scrolled.

const pen = document.createElement("canvas").getContext("2d");
const widths = new Map();

function widthOf(text, style) {
  const key = `${style.fontWeight} ${text}`;
  if (!widths.has(key)) {
    if (widths.size > 500) widths.clear();
    pen.font = `${style.fontWeight} 100px ${style.fontFamily}`;
    widths.set(key, pen.measureText(text).width / 100);
  }
  return widths.get(key);
}

export function unit() {
  return Math.max(15, diagonal() * 0.0106);
}

function diagonal() {
  return Math.hypot(innerWidth, innerHeight);
}

// Give each name the biggest size at which it stands in one line, or in two where there is height for it; what does not
// fit at the least size is cut after two lines.
export function bigText(elements) {
  const all = diagonal();
  // A phone's one line at the least size is worth more than two.
  const lines = innerHeight > innerWidth && innerWidth > 640 ? 2 : 1;
  const sizes = elements.map((element) => {
    const wide = element.clientWidth || element.parentElement.clientWidth;
    const most = all * MOST[element.id];
    // Two lines break at words, so that they hold less than twice one.
    const fits = (wide * (lines === 2 ? 1.6 : 0.985)) / Math.max(0.1, widthOf(element.textContent, getComputedStyle(element)));
    return Math.floor(Math.min(most, Math.max(all * LEAST, fits)));
  });
  elements.forEach((element, index) => {
    put(element, "--size", `${sizes[index]}px`);
    hideRest(element, sizes[index]);
  });
}

const letters = document.createRange();
const hidden = new WeakMap(); // By element: for which text, size and width it was seen to.

// What a name has beyond its two lines is not to be seen: tops of letters of a third would stand as dashes in the room for
// what hangs below the second. It stays where it is, for who is read to and for the dots where the second line is cut.
function hideRest(element, size) {
  const key = `${size} ${element.clientWidth} ${element.textContent}`;
  if (hidden.get(element) === key) return;
  hidden.set(element, key);
  if (element.firstElementChild) element.textContent = element.textContent;
  if (element.scrollHeight <= element.clientHeight + 1) return;
  const [text, top] = [element.firstChild, element.getBoundingClientRect().top];
  // The first letter of the third line; lines are higher than letters, so that what begins below their half is beyond it.
  const isBeyond = (at) => {
    letters.setStart(text, at);
    letters.setEnd(text, text.length);
    return letters.getClientRects()[0]?.top - top > 1.5 * LINE * size;
  };
  let [from, to] = [0, text.length];
  while (from < to) {
    const half = (from + to) >> 1;
    if (isBeyond(half)) to = half;
    else from = half + 1;
  }
  if (from < text.length) {
    const rest = document.createElement("span");
    rest.className = "rest";
    rest.append(text.splitText(from));
    element.append(rest);
  }
}

// How cards with so many nudges are laid out: in the biggest type in which all of them have room; else in small type, in
// whichever way shows most. `columns`; `scale` of the type; `flat`: a nudge takes one line, not two; `rows`: how many
// nudges a card has room for. Where not even one has, the page grows and is scrolled.
export function layout(box, counts) {
  const size = unit();
  const wide = box.clientWidth;
  // What is there without scrolling, whatever the cards take up now.
  const over = Math.max(0, document.documentElement.scrollHeight - innerHeight);
  const high = box.parentElement.clientHeight - over - box.nextElementSibling.offsetHeight - 0.4 * size;
  const all = counts.reduce((sum, one) => sum + one, 0);
  const scrolled = { columns: Math.max(1, Math.floor(wide / (22 * size))), scale: 1, flat: false, rows: SCROLLED };
  if (innerWidth <= 640) return scrolled;
  let best = { columns: 1, scale: 1, flat: false, rows: 1, shown: -1 };
  for (const [scale, flat] of WAYS) {
    const row = (flat ? FLAT : TALL) * size * scale;
    const most = Math.max(1, Math.min(counts.length, Math.floor((wide + GAP * size) / ((CARD_MIN * scale + GAP) * size))));
    for (let columns = most; columns >= 1; columns -= 1) {
      const lines = Math.ceil(counts.length / columns);
      const rows = Math.floor((high / lines - HEAD * size * scale) / row);
      const shown = rows < 0 ? -1 : counts.reduce((sum, one) => sum + Math.min(one, rows), 0);
      if (shown > best.shown) best = { columns, scale, flat, rows, shown };
    }
    if (best.shown === all) return best;
  }
  return best.shown > 0 ? best : scrolled;
}
