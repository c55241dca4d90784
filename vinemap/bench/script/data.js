// What the page came with: the vineyard's name, its plan, and how the figures are counted.

import { byId } from "../../web/script/dom.js";

export const data = JSON.parse(byId("bench-data").textContent);
