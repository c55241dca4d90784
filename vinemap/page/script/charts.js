// Small drawings: bars with their intervals, injury by node position, canes node by node.

import { draw, make, own } from "../../web/script/dom.js";
import { number, t } from "../../web/script/words.js";
import { INK, colour, css } from "./colours.js";
import { data } from "./data.js";

const STATES = { a: "alive", d: "dead", u: "unread" };

// A bar from 0 to 100 with a line from the low to the high estimate. The words beside it say the same.
export function bar(pct, low, high) {
  const box = draw("svg", { viewBox: "-2 0 204 16", class: "bar", preserveAspectRatio: "none", "aria-hidden": "true" });
  box.append(draw("rect", { x: 0, y: 3, width: 200, height: 10, class: "track" }));
  if (pct === null || pct === undefined) return box;
  box.append(draw("rect", { x: 0, y: 3, width: 2 * pct, height: 10, fill: css(colour("injury", pct / 100)), stroke: INK, "stroke-width": 1 }));
  if (low !== null && low !== undefined && high !== null && high !== undefined) {
    box.append(draw("path", { d: `M${2 * low} 8H${2 * high}`, stroke: "#fff", "stroke-width": 5 }));
    box.append(draw("path", { d: `M${2 * low} 8H${2 * high}M${2 * low} 3v10M${2 * high} 3v10`, class: "interval" }));
  }
  return box;
}

// Dead and read primary buds at each node, from the base, over a block's samples.
function byNode(block) {
  const nodes = [];
  for (const sample of block.samplesHere) {
    for (const [, numbers, primary] of sample.canes) {
      [...primary].forEach((letter, k) => {
        const node = numbers ? numbers[k] : k + 1;
        nodes[node] ??= { node, dead: 0, read: 0 };
        if (letter !== "u") nodes[node].read += 1;
        if (letter === "d") nodes[node].dead += 1;
      });
    }
  }
  return nodes.filter((node) => node && node.read);
}

export function nodeChart(block) {
  const nodes = byNode(block);
  if (!nodes.length) return null;
  const last = nodes[nodes.length - 1].node;
  const wide = 22;
  const width = 34 + last * wide + 8;
  const [top, tall] = [20, 92];
  const kept = Math.min(data.settings.kept_nodes[block.pruning] ?? 0, last);
  const chart = draw("svg", { viewBox: `0 0 ${Math.max(width, 300)} 132`, class: "nodes", role: "img",
    "aria-label": nodes.map(({ node, dead, read }) => t("chart.node", { node, dead, read })).join("; ") });
  if (kept) {
    chart.append(draw("rect", { x: 33, y: top - 18, width: kept * wide + 2, height: tall + 36, class: "kept" }));
    chart.append(draw("text", { x: 38, y: top - 6 }, t("chart.kept")));
  }
  for (const pct of [0, 50, 100]) {
    const y = top + tall * (1 - pct / 100);
    chart.append(draw("path", { d: `M34 ${y}H${34 + last * wide}`, class: "rule" }), draw("text", { x: 30, y: y + 4, "text-anchor": "end" }, number(pct)));
  }
  for (const { node, dead, read } of nodes) {
    const x = 34 + (node - 1) * wide + 3;
    const height = (tall * dead) / read;
    chart.append(draw("rect", { x, y: top + tall - height, width: wide - 5, height, fill: css(colour("injury", dead / read)), stroke: INK, "stroke-width": 1 }));
    if (last <= 16 || node % 2) chart.append(draw("text", { x: x + (wide - 5) / 2, y: top + tall + 15, "text-anchor": "middle" }, String(node)));
  }
  return make("figure", {}, make("figcaption", {}, t("chart.title")), chart, make("p", { class: "hint" }, t("chart.axis")));
}

// A cane from its base: a column a node, primary above secondary above tertiary.
export function strip(cane, keptNodes) {
  const [name, numbers, ...buds] = cane;
  const shown = buds.map((letters, k) => [letters, ["primary", "secondary", "tertiary"][k]]).filter(([letters]) => /[ad]/.test(letters));
  const count = buds[0].length;
  const [left, cell, tall] = [18, 17, 16];
  const width = left + count * cell + 4;
  const height = 4 + shown.length * tall + 16;
  const nodeAt = (k) => (numbers ? numbers[k] : k + 1);
  const spoken = shown.map(([letters, bud]) => `${t(`tissue.${bud}`)}: ${[...letters].map((letter, k) => `${nodeAt(k)} ${t(`state.${STATES[letter]}`)}`).join(", ")}`);
  const picture = draw("svg", { viewBox: `0 0 ${width} ${height}`, width, height, class: "cane", role: "img", "aria-label": spoken.join("; ") });
  shown.forEach(([letters, bud], row) => {
    const y = 2 + row * tall;
    picture.append(draw("text", { x: 2, y: y + 12 }, t(`tissue.${bud}.letter`)));
    [...letters].forEach((letter, k) => picture.append(budMark(letter, left + k * cell, y, cell - 2, tall - 2)));
  });
  for (let k = 0; k < count; k += 1) {
    const kept = nodeAt(k) <= keptNodes;
    picture.append(draw("text", { x: left + k * cell + cell / 2 - 1, y: height - 3, "text-anchor": "middle", class: kept ? "within" : "beyond" }, String(nodeAt(k))));
  }
  return make("div", { class: "cane-row" }, make("p", {}, t("sample.cane"), " ", own(name)), make("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": `${t("sample.cane")} ${name}` }, picture));
}

// Alive: a filled green cell. Dead: dark with a cross. Unread: an empty cell.
function budMark(letter, x, y, width, height) {
  const mark = draw("g", { class: STATES[letter] }, draw("rect", { x, y, width, height, rx: 3 }));
  if (letter === "d") mark.append(draw("path", { d: `M${x + 4} ${y + 4}l${width - 8} ${height - 8}m0 ${8 - height}l${8 - width} ${height - 8}` }));
  return mark;
}

export function budKey() {
  return make("p", { class: "bud-key" }, ["a", "d", "u"].map((letter) =>
    make("span", { class: "key" }, draw("svg", { viewBox: "0 0 17 16", width: 17, height: 16, class: "cane", "aria-hidden": "true" }, budMark(letter, 1, 1, 15, 14)), t(`state.${STATES[letter]}`))));
}

export function swatch(fill) {
  return draw("svg", { viewBox: "0 0 22 16", width: 22, height: 16, "aria-hidden": "true" },
    draw("rect", { x: 0.5, y: 0.5, width: 21, height: 15, fill, stroke: INK }));
}
