// One act after the other, and what is said where the store refuses one.

import { byId } from "../../web/script/dom.js";
import { t } from "../../web/script/words.js";
import { show } from "./board.js";
import { feel } from "./feel.js";

let queue = Promise.resolve();

// Each act starts from where the one before it has ended, on the screen and on the disk.
export function inTurn(act) {
  queue = queue.then(act).catch(refused);
  return queue;
}

// Nothing was written: say so, and offer to save what there is.
export function refused(error) {
  feel("refused");
  const full = error?.name === "QuotaExceededError";
  byId("trouble-title").textContent = t(full ? "trouble.full" : "trouble.other");
  byId("trouble-text").textContent = t("trouble.text", { error: error?.name ?? "" });
  if (!byId("trouble").open) byId("trouble").showModal();
  show();
}
