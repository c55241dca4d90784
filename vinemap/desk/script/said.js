// What is said aloud to whoever does not see the page change.

import { byId } from "../../web/script/dom.js";
import { t } from "../../web/script/words.js";

const AGAIN_MS = 2000;

export function say(text) {
  byId("said").textContent = text;
}

// What was said of the change before does not hold for the next; that the desk does not answer still does.
export function unsay() {
  if (!byId("said").classList.contains("shown")) say("");
}

// Say, and show, that the desk does not answer, and send again in a while.
export function unreachable(send) {
  say(t("cells.unreachable"));
  byId("said").classList.add("shown");
  setTimeout(send, AGAIN_MS);
}

export function answered() {
  byId("said").classList.remove("shown");
}
