// Sends a file as it is, one report a line, and shows how far a batch has come.
const kinds = { csv: "text/csv", ndjson: "application/x-ndjson", jsonl: "application/x-ndjson" };

const file = document.querySelector("form[data-batch]");
if (file) {
  file.hidden = false;
  const said = file.querySelector("[data-said]");
  let key; // the same file again goes on where it was cut off
  file.elements.file.addEventListener("change", () => { key = undefined; });
  file.addEventListener("submit", async (e) => {
    e.preventDefault();
    const [one] = file.elements.file.files;
    const button = file.querySelector("button");
    key ??= crypto.randomUUID?.() || String(Date.now()) + Math.random().toString(36).slice(2);
    button.disabled = true;
    said.textContent = file.dataset.sending;
    try {
      const kind = kinds[one.name.toLowerCase().split(".").pop()] || one.type;
      const answer = await fetch("/v1/batches?gate=" + encodeURIComponent(file.elements.gate.value), { method: "POST", body: one, headers: { "Content-Type": kind, "Idempotency-Key": key } });
      const body = await answer.json();
      if (answer.ok) {
        location.href = "/batches/" + body.id;
        return;
      }
      const list = document.createElement("ul");
      for (const fault of body.errors || []) {
        const item = document.createElement("li");
        item.textContent = [fault.column || fault.pointer, fault.detail].filter(Boolean).join(": ");
        list.append(item);
      }
      const text = document.createElement("p");
      text.className = "fault";
      text.textContent = [body.title, body.detail].filter(Boolean).join(": ");
      said.replaceChildren(text, list);
    } catch {
      said.textContent = file.dataset.failed;
    } finally {
      button.disabled = false;
    }
  });
}

const progress = document.querySelector("[data-progress]");
if (progress && progress.dataset.finished !== "true") {
  const at = "/v1/batches/" + progress.dataset.progress;
  const bar = document.querySelector("progress");
  const look = async () => {
    let wait = 1000;
    try {
      const answer = await fetch(at);
      const { lines, finished_at } = await answer.json();
      if (finished_at) return location.reload();
      const answered = lines.done + lines.refused + lines.failed;
      progress.textContent = progress.dataset.text.replace("%d", answered).replace("%d", lines.received);
      bar.max = lines.received;
      bar.value = answered;
    } catch {
      wait = 5000; // out of reach: it is asked again
    }
    setTimeout(look, wait);
  };
  setTimeout(look, 500);
  const cancel = document.querySelector("[data-cancel]");
  cancel.hidden = false;
  cancel.addEventListener("click", async () => {
    await fetch(at + "/cancel", { method: "POST" });
    location.reload();
  });
}
