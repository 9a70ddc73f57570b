// Boxes that are scrolled end where a line ends, so that none is cut in half at their bottom; the story, which stays
// scrolled to its end, begins where one begins.

import { put } from "./base.js";

const ONE_COLUMN = matchMedia("(max-width: 1000px)"); // As in room.css.
const PART = 0.65; // Of the window, that a box in one column takes up at most.

const bottom = (one) => one.getBoundingClientRect().bottom;

// The boxes. `of`: what stands in it; `lines`: what must not be cut, itself or, where it is `text`, its lines; `ends`: down
// to where there is room for it.
const BOXES = [
  { box: "#scroll", of: "#table", lines: "tbody tr", ends: () => document.querySelector("#cell").getBoundingClientRect().top },
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

function fit({ box, of, lines, text, ends, turned, grows }) {
  if (ONE_COLUMN.matches && grows) {
    put(box, "--whole", "none");
    return;
  }
  const [around, inside] = [box.getBoundingClientRect(), of.getBoundingClientRect()];
  const edges = box.offsetHeight - box.clientHeight;
  const room = (ONE_COLUMN.matches ? PART * innerHeight : ends() - around.top) - edges;
  const lead = turned ? 0 : inside.top - around.top - box.clientTop + box.scrollTop;
  const all = [...of.querySelectorAll(lines)].flatMap((one) => rects(one, text));
  const [from, way] = turned ? [inside.bottom, -1] : [inside.top, 1];
  const spans = all.map((is) => [is.top, is.bottom].map((at) => lead + way * (at - from)).sort((one, other) => one - other));
  spans.sort((one, other) => other[0] - one[0]);
  let end = room;
  for (const [begins, over] of spans) if (begins < end && over > end + 0.5) end = begins;
  // A line that is higher than half the box has to be cut.
  put(box, "--whole", `${Math.floor(end > room / 2 ? end : room) + edges}px`);
}

let due = 0;

function soon() {
  due ||= requestAnimationFrame(() => {
    due = 0;
    BOXES.forEach(fit);
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
