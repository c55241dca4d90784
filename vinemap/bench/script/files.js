// Files that come in (a plan, an earlier export) and those that go out (buds.csv and wood.csv, RFC 4180).

import { csv, tidy } from "../../web/script/hand.js";
import { BUDS, LAYERS, STATES } from "./tally.js";

const BUD_COLUMNS = ["sample", "cane", "node", ...BUDS, "noncount_alive", "noncount_dead", "reader"];
const WOOD_COLUMNS = ["sample", "tissue", ...LAYERS];
const ALWAYS = 3 + BUDS.length;

// What nobody noted or gave, basal buds or a reader's name, is no column.
export function budsCsv(rows) {
  const kept = BUD_COLUMNS.map((_, place) => place < ALWAYS || rows.some((row) => row[place] !== ""));
  return csv([BUD_COLUMNS, ...rows].map((row) => row.filter((_, place) => kept[place])));
}

export function woodCsv(rows) {
  return csv([WOOD_COLUMNS, ...rows]);
}

// Cells of a text table; the separator is the one that cuts the header into most cells.
function cellsOf(text) {
  const header = text.split(/\r\n|\n|\r/, 1)[0];
  const mark = ["\t", ";", ","].reduce((best, next) => (header.split(next).length > header.split(best).length ? next : best));
  const rows = [[]];
  let cell = "", inside = false;
  for (let i = 0; i < text.length; i += 1) {
    const letter = text[i];
    if (inside) {
      if (letter === '"' && text[i + 1] === '"') { cell += '"'; i += 1; }
      else if (letter === '"') inside = false;
      else cell += letter;
    } else if (letter === '"' && cell === "") inside = true;
    else if (letter === mark) { rows.at(-1).push(cell); cell = ""; }
    else if (letter === "\n" || letter === "\r") {
      if (letter === "\r" && text[i + 1] === "\n") i += 1;
      rows.at(-1).push(cell); cell = "";
      rows.push([]);
    } else cell += letter;
  }
  rows.at(-1).push(cell);
  return rows.map((row) => row.map((part) => part.trim()));
}

// Rows as objects with their number in a spreadsheet; empty lines are left out.
function tableOf(text) {
  const [head, ...rows] = cellsOf(text);
  const names = head.map((name) => name.toLowerCase().replace(/[\s_]/g, ""));
  return rows.map((row, place) => ({ number: place + 2, ...Object.fromEntries(names.map((name, column) => [name, row[column] ?? ""])) }))
    .filter((row) => names.some((name) => row[name]));
}

// What a file holds: {plan: samples} or {nodes: rows}; throws an Error whose message is a key of the texts.
export async function readFile(file) {
  const bytes = new Uint8Array(await file.arrayBuffer());
  const wide = (bytes[0] === 0xff && bytes[1] === 0xfe) || (bytes[0] === 0xfe && bytes[1] === 0xff);
  if (!wide && bytes.includes(0)) throw new Error("import.unknown");
  const text = decoded(bytes, wide).trim();
  if (text.startsWith("{")) return { plan: planOf(features(text)) };
  const rows = tableOf(text);
  if (!rows.length || !("sample" in rows[0])) throw new Error("import.unknown");
  return "primary" in rows[0] ? { nodes: nodesOf(rows) } : { plan: planOf(rows) };
}

function decoded(bytes, wide) {
  if (wide) return new TextDecoder(bytes[0] === 0xff ? "utf-16le" : "utf-16be").decode(bytes);
  try {
    return new TextDecoder("utf-8", { fatal: true }).decode(bytes);
  } catch {
    return new TextDecoder("windows-1252").decode(bytes);
  }
}

function features(text) {
  try {
    return JSON.parse(text).features.map((feature) => feature.properties);
  } catch {
    throw new Error("import.unknown");
  }
}

function planOf(rows) {
  const plan = new Map();
  for (const row of rows) {
    const sample = tidy(row.sample);
    if (sample) plan.set(sample, { sample, block: tidy(row.block) || null, canes: count(row.canes), nodes: count(row.nodes) });
  }
  if (!plan.size) throw new Error("import.unknown");
  return [...plan.values()];
}

function count(value) {
  const whole = Number(value || NaN);
  return Number.isInteger(whole) && whole > 0 ? whole : null;
}

function nodesOf(rows) {
  return rows.map((row) => {
    const states = BUDS.map((bud) => (row[bud] || "unread").toLowerCase());
    const node = count(row.node);
    if (!tidy(row.sample) || !node || states.some((state) => !STATES.includes(state))) throw new Error("import.row", { cause: row.number });
    return { sample: tidy(row.sample), cane: tidy(row.cane) || "1", node, states, reader: tidy(row.reader), noncount: noncount(row) };
  });
}

// Basal buds that stand beside a node; null where none do.
function noncount(row) {
  const [alive, dead] = [row.noncountalive, row.noncountdead].map((cell) => (cell ? Number(cell) : null));
  if (alive === null && dead === null) return null;
  if (![alive ?? 0, dead ?? 0].every((many) => Number.isInteger(many) && many >= 0)) throw new Error("import.row", { cause: row.number });
  return { alive: alive ?? 0, dead: dead ?? 0 };
}
