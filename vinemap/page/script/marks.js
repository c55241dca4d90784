// Marks on the tasks of the work list: those that came with the map, and those set on this device since.

import { csv } from "../../web/script/hand.js";
import { data } from "./data.js";

const COLUMNS = ["block", "zone", "task", "mark", "set", "initials", "time", "vines"];

// The log in memory: a record is never changed in the store; what takes a mark back is a later record of its own.
export const log = { records: [], last: 0, absorb };

function absorb(records) {
  for (const record of records) {
    if (record.seq <= log.last) continue;
    log.last = record.seq;
    log.records.push(record);
  }
}

function keyOf({ block, zone, task, mark }) {
  return JSON.stringify([block, zone ?? null, task, mark]);
}

// The last mark of each kind on each task that this device holds, as of the last record.
const standing = { marks: new Map(), upto: 0 };

function marks() {
  for (const record of log.records.slice(standing.upto)) {
    if (record.kind !== "mark") continue;
    const before = standing.marks.get(keyOf(record));
    if (!before || record.at >= before.at) standing.marks.set(keyOf(record), record);
  }
  standing.upto = log.records.length;
  return standing.marks;
}

// A zone has another number in each map: one whose vines differ by more than a tenth is another zone.
function same(then, now) {
  return then == null || now == null || Math.abs(then - now) <= Math.ceil(0.1 * Math.max(then, now));
}

// What stands on a task: from this device or with the map, whichever is later; null where nothing was ever set.
export function markOn(job, mark) {
  const own = marks().get(keyOf({ ...job, mark }));
  const came = job[mark] ? { set: true, initials: job[`${mark}_by`], at: job[`${mark}_at`] } : null;
  if (!own || !same(own.vines, job.vines_to_work)) return came;
  return came && came.at > own.at ? came : own;
}

// Marks on tasks that this map does not list: kept, and sent along.
export function strays(jobs) {
  const here = new Map(jobs.flatMap((job) => ["done", "flagged"].map((mark) => [keyOf({ ...job, mark }), job])));
  return [...marks()].filter(([key, own]) => own.set && !(here.has(key) && same(own.vines, here.get(key).vines_to_work)));
}

export function unsent() {
  const upto = log.records.findLast((record) => record.kind === "sent")?.upto ?? 0;
  return [...marks().values()].filter((record) => record.seq > upto).length;
}

// The marks as done.csv has them; an empty text where there are none.
export function marksCsv() {
  const rows = [...marks().values()].map((own) => [own.block, own.zone ?? "", own.task, own.mark, own.set ? "yes" : "no", own.initials, own.at, own.vines ?? ""]);
  return rows.length ? csv([COLUMNS, ...rows]) : "";
}

export const storeName = `vinemap work ${data.report.name ?? ""}`;
