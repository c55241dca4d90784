// The list of samples, and a sample that no plan holds.

const MANY = 12;

function listSamples() {
  const samples = allSamples();
  byId("find-row").hidden = samples.length <= MANY;
  byId("find").value = "";
  listFound("");
  byId("blocks").replaceChildren(...[...new Set([...plan.values()].map((sample) => sample.block).filter(Boolean))].map((block) => make("option", { value: block })));
  if (!byId("samples").open) byId("samples").showModal();
  byId("sample-list").querySelector('[aria-current="true"]')?.scrollIntoView({ block: "center" });
}

function listFound(text) {
  const wanted = text.trim().toLowerCase();
  const found = allSamples().filter((sample) => `${sample} ${blockOf(sample) ?? ""}`.toLowerCase().includes(wanted));
  byId("sample-list").replaceChildren(...found.map((sample) => make("li", {}, make("button", {
    type: "button", class: "line", "aria-current": sample === place.sample ? "true" : null, onclick: () => choose(sample),
  }, own(sample, "b"), own(blockOf(sample) ?? "", "span", { class: "soft" }), make("span", { class: "much" }, progress(sample))))));
}

function progress(sample) {
  const nodes = sum(canesOf(sample).map((cane) => nodesOn(sample, cane).length));
  const wanted = wantedNodes(sample) === null ? null : wantedNodes(sample) * plannedCanes(sample);
  const words = wanted === null ? (nodes ? number(nodes) : "") : t("list.of", { nodes: number(nodes), wanted: number(wanted) });
  return [words, nodes && (wanted === null || sampleIsDone(sample)) ? icon(MARKS.alive) : ""];
}

function choose(sample) {
  byId("samples").close();
  openSample(sample);
}

function addSample(event) {
  event.preventDefault();
  const name = tidy(byId("new-sample").value);
  if (!name) return;
  const known = allSamples().find((sample) => sample.toLowerCase() === name.toLowerCase());
  inTurn(async () => {
    if (!known) await keepPlan([{ sample: name, block: tidy(byId("new-block").value) || null, canes: null, nodes: null }]);
    byId("new-sample").value = byId("new-block").value = "";
    enter();
    choose(known ?? name);
  });
}
