// Names of blocks and zones and their injury, each where it finds room.

import { number, percent, signed, t } from "../../web/script/words.js";
import { byId } from "../../web/script/dom.js";
import { CHOSEN, INK, token } from "./colours.js";
import { LEADING, blocks, changeOf, judged, ranked, zones } from "./data.js";
import { counted } from "./evidence.js";
import { state } from "./state.js";
import { zonesDrawn } from "./tasks.js";

const FONT = token("--sans");
const NARROWEST = 12; // pixels of a block that a number can stand on

// Names stand on their block, the chosen block's first, then the worst hurt. Where one would overlap another it moves up
// or down; then the block's number in the list stands in place of its name, and then alone; what still finds no room is
// counted and said. The worst block is named whatever the screen and the font: smaller, then beside its outline.
// What stands on the map already is given as boxes on the screen.
export function paintNames(view, figures) {
  const { context } = view;
  const taken = [...figures];
  let unnamed = 0;
  context.textAlign = "center";
  context.textBaseline = "middle";
  context.lineJoin = "round";
  for (const { piece, lines, smaller, numbered, chosen } of labels()) {
    const x = view.x(piece.at[0]);
    const y = view.y(piece.at[1]);
    const room = (piece.box[2] - piece.box[0]) * view.scale;
    if (x < -90 || y < -40 || x > view.width + 90 || y > view.height + 40) continue;
    const tries = smaller ? [lines, smaller] : numbered ? [lines, ...numbered] : [lines];
    let found = room < NARROWEST ? null : tries.map((some) => roomFor(view, some, piece, taken)).find(Boolean);
    if (!found && smaller) {
      found = besideFor(view, [lines, smaller], piece, taken);
      leader(context, found.box, [x, y]);
    }
    if (!found && numbered) unnamed += 1;
    if (!found) continue;
    taken.push(found.box);
    writeLines(context, found.lines, (found.box[0] + found.box[2]) / 2, found.box[1] + 2, chosen ? CHOSEN : INK);
  }
  byId("unnamed").hidden = !unnamed;
  const said = unnamed ? t("map.unnamed", { blocks: counted("blocks", unnamed) }) : "";
  if (byId("unnamed").textContent !== said) byId("unnamed").textContent = said;
}

// The first free place for some lines: in the middle of their block, then above and below it, with the middle still
// inside the block's own height.
function roomFor({ context, scale, x, y }, lines, piece, taken) {
  const middle = [x(piece.at[0]), y(piece.at[1])];
  const [wide, tall] = sizeOf(context, lines);
  if (wide - 6 > (piece.box[2] - piece.box[0]) * scale * 1.6) return null;
  for (const share of [0, -0.5, 0.5, -1, 1]) {
    const at = middle[1] + share * tall;
    if (share && (at < y(piece.box[1]) || at > y(piece.box[3]))) continue;
    const box = around(middle[0], at, wide, tall);
    if (!taken.some((other) => meet(box, other))) return { lines, box };
  }
  return null;
}

// A place beside the block and in sight: of the four sides, the one that hides the fewest names and blocks.
function besideFor(view, [lines, smaller], piece, taken) {
  const [left, top, right, bottom] = view.clear();
  const fits = sizeOf(view.context, lines)[0] <= right - left;
  const chosen = fits ? lines : smaller;
  const [wide, tall] = sizeOf(view.context, chosen);
  const onScreen = ({ box }) => [view.x(box[0]), view.y(box[1]), view.x(box[2]), view.y(box[3])];
  const [x0, y0, x1, y1] = onScreen(piece);
  const [x, y] = [view.x(piece.at[0]), view.y(piece.at[1])];
  const gap = 14;
  const held = (at, size, from, to) => Math.max(from + size / 2, Math.min(to - size / 2, at));
  const hides = (box) => 1000 * taken.filter((other) => meet(box, other)).length + blocks.filter((block) => meet(box, onScreen(block))).length;
  const places = [[x, y1 + gap + tall / 2], [x, y0 - gap - tall / 2], [x1 + gap + wide / 2, y], [x0 - gap - wide / 2, y]]
    .map(([atX, atY]) => around(held(atX, wide, left, right), held(atY, tall, top, bottom), wide, tall))
    .map((box) => ({ lines: chosen, box, hidden: hides(box) }));
  return places.sort((a, b) => a.hidden - b.hidden)[0];
}

const meet = (a, b) => a[0] < b[2] && a[2] > b[0] && a[1] < b[3] && a[3] > b[1];
const around = (x, y, wide, tall) => [x - wide / 2, y - tall / 2, x + wide / 2, y + tall / 2];

function sizeOf(context, lines) {
  const widths = lines.map(([text, font]) => { context.font = font; return context.measureText(text).width; });
  return [Math.max(...widths) + 6, lines.reduce((sum, [, , line]) => sum + line, 0) + 4];
}

// From the nearest edge of a name to the block that it names.
function leader(context, [left, top, right, bottom], [x, y]) {
  for (const [ink, wide, dot] of [["rgba(255,255,250,0.92)", 4.5, 5], [INK, 1.6, 3]]) {
    context.beginPath();
    context.moveTo(Math.max(left, Math.min(right, x)), Math.max(top, Math.min(bottom, y)));
    context.lineTo(x, y);
    context.lineWidth = wide;
    context.strokeStyle = ink;
    context.stroke();
    context.beginPath();
    context.arc(x, y, dot, 0, 2 * Math.PI);
    context.fillStyle = ink;
    context.fill();
  }
}

function writeLines(context, lines, x, top, ink) {
  for (const [text, font, line] of lines) {
    context.font = font;
    context.lineWidth = 5;
    context.strokeStyle = "rgba(255,255,250,0.92)";
    context.strokeText(text, x, top + line / 2);
    context.fillStyle = ink;
    context.fillText(text, x, top + line / 2);
    top += line;
  }
}

// Blocks with their percentage; with zones on the map, each zone's number and nodes too.
function labels() {
  const worst = judged(ranked[0]) < 0 ? null : ranked[0];
  const order = [...ranked].sort((a, b) => (b.row === state.block) - (a.row === state.block));
  const lines = (block, name, value) =>
    [[short(block.block), `600 ${name}px ${FONT}`, name + 3], [blockValue(block), `700 ${value}px ${FONT}`, value + 2]].filter(([text]) => text);
  const named = order.map((block) => ({
    piece: block,
    chosen: block.row === state.block,
    lines: lines(block, 14, 18),
    smaller: block === worst ? lines(block, 12, 15) : null,
    numbered: block === worst ? null : shorter(block),
  }));
  const numbered = zonesDrawn().map((zone) => {
    const nodes = zone.nodes_to_keep == null ? "" : t("map.keep", { nodes: number(zone.nodes_to_keep) });
    const told = state.printing ? number(zone.zone) : [t("map.zone", { zone: zone.zone }), nodes].filter(Boolean).join(": ");
    return { piece: zone, chosen: false, lines: [[told, `600 14px ${FONT}`, 17]] };
  });
  return named.concat(numbered);
}

// A block's number in the list, over what stands under its name, then alone.
function shorter(block) {
  const place = [[t("map.number", { rank: number(block.rank) }), `600 13px ${FONT}`, 15]];
  const value = blockValue(block);
  return value ? [[...place, [value, `700 15px ${FONT}`, 17]], place] : [place];
}

// What stands under a block's name on the map; empty where the layer has none for a whole block.
function blockValue(block) {
  const leading = state.tissue === LEADING;
  if (state.layer === "injury" && leading) return percent(block.pct);
  if (state.layer === "low" && leading) return percent(block.low);
  if (state.layer === "high" && leading) return percent(block.high);
  if (state.layer === "change") return signed(changeOf(block));
  if (state.layer === "action" && block.nodes_to_keep && !zones.length) return t("map.keep", { nodes: number(block.nodes_to_keep) });
  return "";
}

function short(text) {
  const letters = [...text];
  return letters.length > 24 ? `${letters.slice(0, 23).join("")}…` : text;
}
