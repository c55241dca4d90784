// What is said aloud to whoever does not see the page change.

import { byId } from "../../web/script/dom.js";

export function say(text) {
  byId("said").textContent = text;
}
