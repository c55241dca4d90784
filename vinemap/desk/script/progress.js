// Work that is under way: asked for until it ends, then the page is shown anew.

import { t } from "../../web/script/words.js";

const OFTEN_MS = 400;
const SELDOM_MS = 3000;

export function followWork(section) {
  const bar = section.querySelector("progress");
  const stage = section.querySelector(".stage");

  async function look() {
    let wait = OFTEN_MS;
    try {
      const answer = await fetch(section.dataset.job);
      if (!answer.ok) throw new Error(String(answer.status));
      const job = await answer.json();
      if (job.key !== section.dataset.key || job.state !== "running") return location.reload();
      bar.value = Math.max(bar.value, job.share);
      if (stage.textContent !== job.stage) stage.textContent = job.stage;
    } catch {
      stage.textContent = t("cells.unreachable");
      wait = SELDOM_MS;
    }
    return setTimeout(look, wait);
  }

  look();
}
