// The desk's pages work without a script; this adds comfort: cells that are kept as they are typed, files that are
// dropped, a bar that moves, a map to draw on.

import { byId } from "../../web/script/dom.js";
import { words } from "../../web/script/words.js";
import { followWork } from "./progress.js";
import { keepCells } from "./cells.js";
import { takeDrops } from "./drop.js";
import { openEditor } from "./places.js";

const data = JSON.parse(byId("desk-data").textContent);
words.language = data.language;
words.texts = data.texts;
words.units = data.units ?? "metric";

const ledger = byId("ledger");
const drop = byId("drop");
const progress = byId("progress");
const editor = byId("editor");
if (ledger) keepCells(ledger);
if (drop) takeDrops(drop, data.most);
if (progress) followWork(progress);

// On a phone the way is wider than the page: the step that is open comes into view.
document.querySelector("#way [aria-current]")?.scrollIntoView({ block: "nearest", inline: "center" });

const ready = () => { document.documentElement.dataset.ready = ""; };
if (editor) openEditor(editor).then(ready);
else ready();
