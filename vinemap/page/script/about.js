// How sure the map is, what it follows, cautions, and where its rules come from.

function about() {
  byId("about").replaceChildren(
    make("details", {}, make("summary", {}, t("sure.title")), sure()),
    make("details", { open: true }, make("summary", {}, t("cautions.title")), cautions()),
    make("details", {}, make("summary", {}, t("sources.title")), sources()),
  );
}

function sure() {
  const { scores, model } = data.report;
  const box = make("div", {}, make("p", {}, t("sure.bounds")));
  if (scores?.better_than_block_means === true) box.append(make("p", {}, t("scores.better")));
  if (scores?.better_than_block_means === false) box.append(make("p", { class: "warn" }, t("scores.no_better")));
  if (scores?.text) box.append(own(scores.text, "p", { lang: "en" }));
  if (model) box.append(...modelWords(model));
  if (!ground) box.append(make("p", {}, t("sure.no_elevation")));
  box.append(make("p", {}, t("sure.few")), make("p", {}, cellWords()));
  return box;
}

function cellWords() {
  const cell = metres(surface.cell_m, 1);
  return surface.factor > 1 ? t("sure.coarsened", { cell, fine: metres(surface.cell_m / surface.factor, 1) }) : t("sure.cell", { cell });
}

function modelWords(model) {
  const lines = (model.covariates ?? []).map((one) => {
    const text = hasText(`covariate.${one.name}`) ? t(`covariate.${one.name}`) : own(one.label ?? one.name);
    const sense = one.odds_low > 1 ? "more" : one.odds_high < 1 ? "fewer" : "unclear";
    return make("li", {}, sentence(`covariate.${sense}`, { step: text, odds: number(one.odds_ratio, 2), low: number(one.odds_low, 2), high: number(one.odds_high, 2) }));
  });
  const words = [];
  if (lines.length) words.push(make("p", {}, t("sure.follows")), make("ul", {}, lines));
  if (model.range_m != null) words.push(make("p", {}, t("sure.range", { range: metres(model.range_m, 0), low: metres(model.range_low_m ?? model.range_m, 0), high: metres(model.range_high_m ?? model.range_m, 0) })));
  return words;
}

function cautions() {
  return make("ul", { class: "cautions" }, ["tools", "cold", "buds", "budbreak", "look_alike", "advice"].map((key) => make("li", {}, t(`caution.${key}`))));
}

function sources() {
  const list = ["rules", "model", "intervals", "colours", "made"].map((key) => make("li", {}, t(`source.${key}`, { version: data.report.vinemap ?? "" })));
  return make("ul", {}, list);
}
