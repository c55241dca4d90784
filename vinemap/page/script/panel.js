// The panel, which on a phone is folded away below the map.

import { ICONS, byId, icon, make, own } from "../../web/script/dom.js";
import { number, percent, sentence, t } from "../../web/script/words.js";
import { blocks, ranked } from "./data.js";

export function unfold(open) {
  byId("panel").classList.toggle("open", open);
  byId("fold").setAttribute("aria-expanded", String(open));
  foldWords();
}

export function foldWords() {
  const open = byId("panel").classList.contains("open");
  const worst = ranked[0];
  const text = open ? [t("panel.fold")] : sentence("panel.unfold", { count: number(blocks.length), block: worst ? own(worst.block) : "", pct: percent(worst?.pct) });
  byId("fold").replaceChildren(icon(ICONS.up), make("span", {}, text));
}
