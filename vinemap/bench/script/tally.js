// What the log says: every bud of every node, what was noted beside them, and the running share of dead primaries.

export const BUDS = ["primary", "secondary", "tertiary"];
export const STATES = ["alive", "dead", "dead_before", "unread"];
export const TISSUES = ["trunk", "cordon", "cane"];
export const LAYERS = ["phloem", "cambium", "xylem"];
const AIMS = [20, 15, 12, 10, 8, 6, 5, 4, 3];
const MOST_MORE = 500;

// A bud that had died before the freeze is dead too.
export function isDead(state) {
  return state === "dead" || state === "dead_before";
}

// The log in memory. A record is never changed in the store; what undoes it is a later record of its own.
export const log = { records: [], last: 0, takes: new Map(), samples: new Map(), beside: new Map(), absorb };

function absorb(records) {
  for (const record of records) {
    if (record.seq <= log.last) continue;
    log.last = record.seq;
    log.records.push(record);
    if (record.kind === "take") index(record);
    if (record.kind === "wood" || record.kind === "noncount") setBeside(record);
    if (record.kind === "undo") revive(log.takes.get(record.of), record.of);
    if (record.kind === "clear") for (const take of log.takes.values()) take.cleared ??= record.seq;
    if (record.kind === "clear") log.takes.set(record.seq, record);
  }
}

function index(record) {
  log.takes.set(record.seq, record);
  const canes = nested(log.samples, record.sample);
  const nodes = nested(canes, record.cane);
  const buds = nested(nodes, record.node);
  if (!buds.has(record.bud)) buds.set(record.bud, []);
  buds.get(record.bud).push(record);
}

// A slice of wood, or the basal buds of a cane: they are no nodes, and enter no share of them.
function setBeside(record) {
  log.takes.set(record.seq, record);
  if (!log.beside.has(record.sample)) log.beside.set(record.sample, []);
  log.beside.get(record.sample).push(record);
}

function nested(map, key) {
  if (!map.has(key)) map.set(key, new Map());
  return map.get(key);
}

function revive(record, seq) {
  if (!record) return;
  record.undone = true;
  if (record.kind === "clear") for (const take of log.takes.values()) if (take.cleared === seq) delete take.cleared;
}

export function stands(record) {
  return !record.undone && record.cleared === undefined;
}

// The state of a bud: what was taken last and not undone; null where nothing was.
export function stateOf(sample, cane, node, bud) {
  return log.samples.get(sample)?.get(cane)?.get(node)?.get(bud)?.findLast(stands)?.state ?? null;
}

function statesAt(sample, cane, node) {
  return BUDS.map((bud) => stateOf(sample, cane, node, bud));
}

export function nodesOn(sample, cane) {
  const nodes = [...(log.samples.get(sample)?.get(cane)?.keys() ?? [])];
  return nodes.filter((node) => statesAt(sample, cane, node).some(Boolean)).sort((a, b) => a - b);
}

export function canesOf(sample) {
  const canes = [...(log.samples.get(sample)?.keys() ?? [])];
  return canes.filter((cane) => nodesOn(sample, cane).length).sort(naturally);
}

function besideOf(sample, kind) {
  return (log.beside.get(sample) ?? []).filter((record) => record.kind === kind && stands(record));
}

export function slicesOf(samples) {
  return samples.flatMap((sample) => besideOf(sample, "wood"));
}

// The basal buds of a cane, alive and dead; null where nobody looked.
export function noncountOf(sample, cane) {
  return besideOf(sample, "noncount").findLast((record) => record.cane === cane) ?? null;
}

// Canes of which something is known, if no more than their basal buds.
function notedCanes(sample) {
  const beside = besideOf(sample, "noncount").map((record) => record.cane);
  return [...new Set([...canesOf(sample), ...beside])].sort(naturally);
}

export function naturally(a, b) {
  return a.localeCompare(b, "en", { numeric: true });
}

// Who read a node: the name given when its last bud was taken, else, of what was taken on this device, `unnamed`.
function readerOf(sample, cane, node, unnamed) {
  const takes = [...log.samples.get(sample).get(cane).get(node).values()].flat().filter(stands);
  const last = takes.reduce((late, take) => (take.seq > late.seq ? take : late));
  return last.reader ?? (last.imported ? "" : unnamed);
}

// A row a node of the samples named, as buds.csv has it.
export function rowsOf(samples, unnamed = "") {
  return samples.flatMap((sample) => canesOf(sample).flatMap((cane) => nodesOn(sample, cane).map((node) =>
    [sample, cane, node, ...statesAt(sample, cane, node).map((state) => state ?? "unread"), readerOf(sample, cane, node, unnamed)])));
}

// The same with the basal buds of each cane on its first row; where only these were noted, node 1 stands there unread.
export function budRows(samples, unnamed) {
  return samples.flatMap((sample) => notedCanes(sample).flatMap((cane) => {
    const rows = rowsOf([sample], unnamed).filter((row) => row[1] === cane);
    const all = rows.length ? rows : [[sample, cane, 1, ...BUDS.map(() => "unread"), ""]];
    const beside = noncountOf(sample, cane);
    return all.map((row, place) => [...row.slice(0, -1), ...(beside && place === 0 ? [beside.alive, beside.dead] : ["", ""]), row.at(-1)]);
  }));
}

// A row a slice, as wood.csv has it.
export function woodRows(samples) {
  return slicesOf(samples).map((slice) => [slice.sample, slice.tissue, ...LAYERS.map((layer) => slice[layer])]);
}

// Primaries of the samples named: dead, read, and how many were read of each sample.
export function countOf(samples) {
  const each = samples.map((sample) => rowsOf([sample]).map((row) => row[3]).filter((state) => state !== "unread"));
  const reads = each.map((states) => states.length);
  return { dead: each.flat().filter(isDead).length, read: sum(reads), reads };
}

const FIRST_LOOK = 40, SECOND_LOOK = 100;

// What the sequential rule says of a block: 40 to 50 nodes first; stop where all are dead, go on to 100 where they vary
// (Wines & Vines, October 2015, p. 76). Null where it says nothing.
export function sequence(dead, read) {
  if (read < FIRST_LOOK) return "first";
  if (dead === read) return "stop";
  return dead && read < SECOND_LOOK ? "vary" : null;
}

export function sum(values) {
  return values.reduce((total, value) => total + value, 0);
}

// How many nodes of samples so large say as much as one node on a cane of its own, nodes of one sample being alike by
// the correlation rho: 1 + (m - 1) rho (L. Kish, Survey Sampling, 1965), m the mean size weighted by size, as the map
// has it.
export function designEffect(reads, rho) {
  const read = sum(reads);
  return read ? 1 + rho * (sum(reads.map((size) => size * size)) / read - 1) : 1;
}

// Score interval of a share: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209; z is the normal quantile of the confidence.
export function wilson(dead, read, z) {
  if (!read) return [null, null];
  const share = dead / read;
  const middle = (share + z * z / (2 * read)) / (1 + z * z / read);
  const half = halfWidth(share, read, z);
  return [Math.max(0, middle - half), Math.min(1, middle + half)];
}

function halfWidth(share, read, z) {
  return z / (1 + z * z / read) * Math.sqrt(share * (1 - share) / read + z * z / (4 * read * read));
}

// How many more nodes, at the same share, bring the half-width to the next rounder figure; null where it is not worth it.
// The design effect is that of the nodes read, and that of all of them once the rest is read too.
export function moreNodes(dead, read, z, effect = 1, later = effect) {
  if (!read) return null;
  const now = 100 * halfWidth(dead / read, read / effect, z);
  const points = AIMS.find((aim) => aim <= now - 0.5);
  if (points === undefined) return null;
  let more = 1;
  while (more <= MOST_MORE && 100 * halfWidth(dead / read, (read + more) / later, z) > points) more += 1;
  return more > MOST_MORE ? null : { more, points };
}
