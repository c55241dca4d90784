// What leaves a page as a file: CSV (RFC 4180), its name, and the ways out of a browser.

import { make } from "./dom.js";

export function csv(rows) {
  return rows.map((row) => row.map(quoted).join(",")).join("\r\n") + "\r\n";
}

function quoted(value) {
  const text = String(value);
  return /[",;\r\n]|^\s|\s$/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

// A file's name with who made it, in letters that every system takes.
export function fileName(stem, who) {
  const said = who.normalize("NFKD").replace(/\p{M}/gu, "").replace(/[^\p{L}\p{N}]+/gu, "-").replace(/^-|-$/g, "").toLowerCase();
  return said ? `${stem}_${said}.csv` : `${stem}.csv`;
}

export function tidy(value) {
  return String(value ?? "").split(/\s+/).filter(Boolean).join(" ");
}

// One after the other, whatever this browser and device can: hand over to another app, or save as a file.
export function save(name, text) {
  const address = URL.createObjectURL(new Blob([text], { type: "text/csv;charset=utf-8" }));
  make("a", { href: address, download: name }).click();
  setTimeout(() => URL.revokeObjectURL(address), 60_000);
}

export function shareable(name, text) {
  const files = [new File([text], name, { type: "text/csv" })];
  return navigator.canShare?.({ files }) ? { files } : null;
}

export async function copy(text) {
  await navigator.clipboard.writeText(text);
}
