// Boxes that are scrolled end where a line ends, so that none is cut in half at their bottom; the story, which stays
// scrolled to its end, begins where one begins. What the table has no room for is said below it, and what a step has
// moved there is brought into view: at once, without a motion, and not while somebody scrolls it.

import { $, counted, put, say } from "./base.js";

const ONE_COLUMN = matchMedia("(max-width: 1000px)"); // As in room.css.
const PART = 0.65; // Of the window, that a box in one column takes up at most.
const LATELY_MS = 5000; // So long after somebody has scrolled the table, it stays where they have left it.

const bottom = (one) => one.getBoundingClientRect().bottom;

// The boxes. `of`: what stands in it; `lines`: what must not be cut, itself or, where it is `text`, its lines; `ends`: down
// to where there is room for it; `parts`: where there is no room for a whole one of `lines`, the lines of these are not cut;
// `note`: what is said at its end where it does not have room for everything.
const BOXES = [
  { box: "#scroll", of: "#table", lines: "tbody tr", parts: "bdi, .level, .way, .by", note: $("more"), ends: () => $("cell").getBoundingClientRect().top },
  { box: ".told .scrolls", of: "#story", lines: "li > *", text: true, ends: () => bottom(document.querySelector(".told")), turned: true },
  { box: ".sent .scrolls", of: ".wire", lines: "td:not(:has(*)), .bytes, .means", text: true, ends: () => bottom(document.querySelector(".sent")) },
  { box: ".side", of: "#feet", lines: "h3, .name, .does, .lamps, input", text: true, ends: () => bottom(document.querySelector(".sent")), grows: true },
].map((one) => ({ ...one, box: document.querySelector(one.box), of: document.querySelector(one.of) }));

const pen = document.createRange();

function rects(one, text) {
  if (!text || !one.firstChild) return [one.getBoundingClientRect()];
  pen.selectNodeContents(one);
  return [...pen.getClientRects()];
}

// Where a box ends that has so much room, so that none of some lines is cut. Each: where it begins, and where it is over.
function whole(spans, room) {
  let end = room;
  spans.sort((one, other) => other[0] - one[0]);
  for (const [begins, over] of spans) if (begins < end && over > end + 0.5) end = begins;
  return end;
}

function fit({ box, of, lines, text, parts, ends, note, turned, grows }) {
  if (ONE_COLUMN.matches && grows) {
    put(box, "--whole", "none");
    return;
  }
  const [around, inside] = [box.getBoundingClientRect(), of.getBoundingClientRect()];
  const edges = box.offsetHeight - box.clientHeight;
  let room = (ONE_COLUMN.matches ? PART * innerHeight : ends() - around.top) - edges;
  if (note && !ONE_COLUMN.matches && inside.height > room) room -= note.offsetHeight;
  const lead = turned ? 0 : inside.top - around.top - box.clientTop + box.scrollTop;
  const [from, way] = turned ? [inside.bottom, -1] : [inside.top, 1];
  const span = (is) => [is.top, is.bottom].map((at) => lead + way * (at - from)).sort((one, other) => one - other);
  const all = [...of.querySelectorAll(lines)];
  let end = whole(all.flatMap((one) => rects(one, text)).map(span), room);
  const cut = parts && all.find((one) => span(one.getBoundingClientRect())[0] === end);
  if (cut) {
    const within = [...cut.querySelectorAll(parts)].flatMap((one) => rects(one, true)).map(span);
    const over = whole(within, room);
    if (within.some((one) => one[1] <= over + 0.5 && one[1] > end)) end = over;
  }
  // A line that is higher than half the box has to be cut.
  put(box, "--whole", `${Math.floor(end > room / 2 ? end : room) + edges}px`);
}

// -- what the table has no room for ------------------------------------------------------------------------------

const table = $("scroll");
let wanted = null; // The cell that is to be seen.
let scrolled = -Infinity; // When somebody has scrolled it.

// What is seen of the table, beside its headings.
function view() {
  const around = table.getBoundingClientRect();
  const [top, left] = [around.top + table.clientTop, around.left + table.clientLeft];
  const corner = $("head").firstElementChild?.getBoundingClientRect() ?? { width: 0, height: 0 };
  return {
    ...{ top: top + corner.height, bottom: top + table.clientHeight },
    ...{ left: left + corner.width, right: left + table.clientWidth },
  };
}

// Bring the wanted cell into view, by the shortest way after which the table ends where a row ends.
function bring() {
  if (!wanted?.isConnected) return;
  const [is, cell] = [view(), wanted.getBoundingClientRect()];
  if (cell.left < is.left) table.scrollLeft += cell.left - is.left;
  else if (cell.right > is.right) table.scrollLeft += Math.min(cell.right - is.right, cell.left - is.left);
  const ends = [...$("rows").children].map((row) => bottom(row) - is.bottom);
  const fits = [-table.scrollTop, ...ends].filter((by) => by >= cell.bottom - is.bottom - 1 && by <= cell.top - is.top + 1);
  // One that is higher than the table is seen from its top.
  const by = fits.sort((one, other) => Math.abs(one) - Math.abs(other))[0] ?? cell.top - is.top;
  if (Math.abs(by) >= 1) table.scrollTop += by;
}

// A cell is to be seen, where there is one.
export function see(cell) {
  wanted = performance.now() - scrolled < LATELY_MS ? null : (cell ?? null);
  soon();
}

// Say how much there is beyond each edge of the table.
function note() {
  const is = view();
  const [rows, columns] = [[...$("rows").children], [...$("head").children].slice(1)];
  const at = (one) => one.getBoundingClientRect();
  const told = [
    ["▲", "row", "above", rows.filter((one) => at(one).top < is.top - 1)],
    ["▼", "row", "below", rows.filter((one) => at(one).bottom > is.bottom + 1)],
    ["◀", "column", "on the left", columns.filter((one) => at(one).left < is.left - 1)],
    ["▶", "column", "on the right", columns.filter((one) => at(one).right > is.right + 1)],
  ].map(([sign, what, where, some]) => {
    const moved = some.filter((one) => one.querySelector(".moved")).length;
    return some.length ? `${sign} ${counted(some.length, `more ${what}`)} ${where}${moved ? `, ${moved} of them moved` : ""}` : "";
  });
  say($("more"), told.filter(Boolean).join(" · "));
}

function leave() {
  [wanted, scrolled] = [null, performance.now()];
}

for (const name of ["wheel", "touchmove"]) table.addEventListener(name, leave, { passive: true });
table.addEventListener("pointerdown", (event) => event.target === table && leave());
table.addEventListener("keydown", (event) => /^(Arrow|Page|Home|End)/.test(event.key) && leave());
// Whoever goes to a cell by the keyboard sees that one.
table.addEventListener("focusin", () => (wanted = null));
table.addEventListener("scroll", () => soon(), { passive: true });

let due = 0;

function soon() {
  due ||= requestAnimationFrame(() => {
    due = 0;
    BOXES.forEach(fit);
    put(table, "--head", `${$("head").offsetHeight}px`);
    bring();
    note();
  });
}

const watch = new ResizeObserver(soon);
const turns = new MutationObserver(soon); // Lines that change places may need as much room as before.
for (const { box, of } of BOXES) {
  for (const one of [box.parentElement, of]) watch.observe(one);
  turns.observe(of, { childList: true, subtree: true });
}
for (const name of ["#cell", "#sums", "#last"]) watch.observe(document.querySelector(name));
addEventListener("resize", soon);
