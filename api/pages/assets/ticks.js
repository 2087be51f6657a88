// What is ticked in a list stays ticked on its other pages, and after another search, until it is cleared.
const form = document.querySelector("form[data-ticks]");
if (form) {
  const key = "laidup-ticks";
  const read = () => { try { return JSON.parse(sessionStorage.getItem(key)) || []; } catch { return []; } };
  const keep = (all) => { try { sessionStorage.setItem(key, JSON.stringify(all)); } catch { /* then they are kept on this page alone */ } };
  const boxes = [...form.querySelectorAll("input[name=vehicle]")];
  const said = form.querySelector("[data-said]");
  const first = said.textContent;
  const clear = Object.assign(document.createElement("button"), { type: "button", className: "plain", textContent: form.dataset.clear });
  said.after(clear);
  const show = () => {
    const all = read();
    for (const box of boxes) box.checked = all.includes(box.value);
    said.textContent = all.length ? form.dataset.ticked.replace("%d", all.length) : first;
    clear.hidden = !all.length;
    form.querySelectorAll("input[type=hidden]").forEach((e) => e.remove());
    for (const value of all.filter((v) => !boxes.some((b) => b.value === v))) {
      form.append(Object.assign(document.createElement("input"), { type: "hidden", name: "vehicle", value }));
    }
  };
  form.addEventListener("change", () => {
    const here = new Set(boxes.map((b) => b.value));
    keep([...read().filter((v) => !here.has(v)), ...boxes.filter((b) => b.checked).map((b) => b.value)]);
    show();
  });
  clear.addEventListener("click", () => { keep([]); show(); });
  addEventListener("pageshow", show);
}
