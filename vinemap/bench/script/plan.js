// The samples to cut: those that came with the page, those loaded since, those added by hand, those in the log.

import { change } from "../../web/script/store.js";
import { canesOf, log, naturally, nodesOn, stands, sum } from "./tally.js";

export const plan = new Map();

export function addToPlan(samples, into = plan) {
  for (const sample of samples) into.set(sample.sample, { ...into.get(sample.sample), ...withoutNothing(sample) });
  return [...into.values()];
}

function withoutNothing(sample) {
  return Object.fromEntries(Object.entries(sample).filter(([, value]) => value !== null && value !== undefined));
}

export async function keepPlan(samples) {
  await change("plan", (had = []) => addToPlan(samples, new Map(had.map((sample) => [sample.sample, sample]))));
  addToPlan(samples);
}

export function allSamples() {
  const taken = [...log.samples.keys()].filter((sample) => canesOf(sample).length);
  const beside = [...log.beside.keys()].filter((sample) => log.beside.get(sample).some(stands));
  const unplanned = [...new Set([...taken, ...beside])].filter((sample) => !plan.has(sample));
  return [...plan.keys(), ...unplanned.sort(naturally)];
}

export function blockOf(sample) {
  return plan.get(sample)?.block ?? null;
}

export function wantedNodes(sample) {
  return plan.get(sample)?.nodes ?? null;
}

export function caneIsFull(sample, cane) {
  const wanted = wantedNodes(sample);
  return wanted !== null && nodesOn(sample, cane).length >= wanted;
}

export function plannedCanes(sample) {
  return plan.get(sample)?.canes ?? 1;
}

function fullCanes(sample) {
  return canesOf(sample).filter((cane) => caneIsFull(sample, cane)).length;
}

export function sampleIsDone(sample) {
  return fullCanes(sample) >= plannedCanes(sample);
}

// Canes done of the canes planned, over the samples whose canes have their nodes counted; null where none has.
export function canesDone(samples) {
  const counted = samples.filter((sample) => wantedNodes(sample) !== null);
  const done = counted.map((sample) => Math.min(fullCanes(sample), plannedCanes(sample)));
  return counted.length ? { done: sum(done), planned: sum(counted.map(plannedCanes)) } : null;
}

export function nextSample(sample) {
  const samples = allSamples();
  const from = samples.indexOf(sample);
  const order = [...samples.slice(from + 1), ...samples.slice(0, Math.max(0, from))];
  return order.find((name) => !canesOf(name).length) ?? order.find((name) => wantedNodes(name) && !sampleIsDone(name)) ?? null;
}
