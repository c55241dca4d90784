// The tasks of the work list in words: where, how long, at what cost, and what was marked of them.

import { own } from "../../web/script/dom.js";
import { day, number, sentence, t } from "../../web/script/words.js";
import { data, jobs, zoneNumbered } from "./data.js";
import { markOn } from "./marks.js";

// The tasks under the season that they are due in.
export function dues() {
  const seasons = [...new Set(jobs.map((job) => job.when))];
  return seasons.map((when) => [t(`work.due.${when}`), jobs.filter((job) => job.when === when)]);
}

// Zone and block of a task.
export function at(job) {
  return zoneNumbered(job.zone) ? sentence("work.at", { zone: number(job.zone), block: own(job.block) }) : own(job.block);
}

export function facts(job) {
  const kind = { more_canes: "canes", check_wood: "checks" }[job.task] ?? "vines";
  const assumed = [job.hours_from, job.days_from].includes("assumed");
  const parts = [
    job.vines_to_work != null && job.task !== "no_data" && t(`work.${kind}.${job.vines_to_work === 1 ? "one" : "many"}`, { count: number(job.vines_to_work) }),
    job.hours ? t(assumed ? "work.hours_assumed" : "work.hours", { hours: number(job.hours, job.hours < 10 ? 1 : 0) }) : "",
    job.day_from != null && t(job.day_from === job.day_to ? "work.day" : "work.days", { from: number(job.day_from), to: number(job.day_to) }),
    job.cost ? money(job.cost, job.cost_from) : "",
    job.full_crop_year != null && t("work.crop", { year: String(job.full_crop_year) }),
  ].filter(Boolean);
  return parts.join(" · ");
}

function money(cost, from) {
  return t(from === "assumed" ? "work.cost_assumed" : "work.cost", { cost: number(cost), currency: data.work_terms.currency });
}

export function sums() {
  const total = (name) => jobs.reduce((sum, job) => (job.task === "no_data" || sum === null || job[name] == null ? (job.task === "no_data" ? sum : null) : sum + job[name]), 0);
  const [hours, days, cost] = ["hours", "crew_days", "cost"].map(total);
  if (hours === null) return "";
  const assumed = jobs.some((job) => job.cost_from === "assumed");
  return [t("work.sum", { hours: number(hours), days: number(Math.ceil(days)) }), cost === null ? "" : money(cost, assumed ? "assumed" : "given")].filter(Boolean).join(" · ");
}

// Who marked it, and when.
export function by(job) {
  const said = ["done", "flagged"].map((mark) => [mark, markOn(job, mark)]).filter(([, own]) => own?.set)
    .map(([mark, { initials: who, at }]) => t(who ? `work.by.${mark}` : `work.on.${mark}`, { who: who ?? "", date: day(at) }));
  return said.join(" · ");
}
