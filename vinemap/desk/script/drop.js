// Files that are dropped on the page, or are too large to be sent.

import { t } from "../../web/script/words.js";

export function takeDrops(form, most) {
  const input = form.elements.files;
  const said = form.querySelector("[role=status]");

  for (const name of ["dragenter", "dragover"]) {
    document.addEventListener(name, (event) => {
      event.preventDefault();
      form.classList.add("over");
    });
  }
  document.addEventListener("dragleave", (event) => { if (!event.relatedTarget) form.classList.remove("over"); });
  document.addEventListener("drop", (event) => {
    event.preventDefault();
    form.classList.remove("over");
    if (!event.dataTransfer.files.length) return;
    input.files = event.dataTransfer.files;
    if (fits()) form.requestSubmit();
  });
  input.addEventListener("change", fits);
  form.addEventListener("submit", (event) => { if (!fits()) event.preventDefault(); });

  function fits() {
    const size = [...input.files].reduce((sum, file) => sum + file.size, 0);
    said.textContent = size > most ? t("files.too_large", { most: Math.round(most / 1e6) }) : "";
    return size <= most;
  }
}
