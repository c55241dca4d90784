// The cane as it lies on the board: base at the left, a bud at every node, the one under the blade ringed.

import { draw } from "../../web/script/dom.js";
import { nodesOn, stateOf } from "./tally.js";

const STEP = 40, ROOM = 15, TALL = 74;

export function drawCane(sample, cane, node, wanted) {
  const last = Math.max(node, wanted ?? 8, nodesOn(sample, cane).at(-1) ?? 0);
  const first = Math.max(1, Math.min(node - Math.floor(ROOM / 2), last - ROOM + 1));
  const shown = Array.from({ length: Math.min(ROOM, last - first + 1) }, (_, place) => first + place);
  const width = shown.length * STEP + 16;
  const x = (number) => (number - first + 0.5) * STEP + 8;
  const y = (number) => (number % 2 ? 39 : 33);
  const wood = [[0, 36], ...shown.map((number) => [x(number), y(number)]), [width, 36]].map((corner) => corner.join(",")).join(" ");
  const buds = shown.map((number) => {
    const state = stateOf(sample, cane, number, "primary") ?? "none";
    const up = number % 2 ? 1 : -1;
    return draw("g", { transform: `translate(${x(number)} ${y(number)})` },
      number === node ? draw("circle", { class: "here", cy: up * 9, r: 18 }) : "",
      draw("path", { class: `bud ${state}`, d: `M-7 0C-8 ${up * 9} -3 ${up * 15} 1 ${up * 20}C6 ${up * 14} 8 ${up * 8} 7 0Z` }),
      draw("text", { y: number % 2 ? -12 : 21, class: number === node ? "now" : "" }, String(number)));
  });
  return draw("svg", { viewBox: `0 0 ${width} ${TALL}`, class: "cane", "aria-hidden": "true" },
    draw("polyline", { class: "wood", points: wood }), buds);
}
