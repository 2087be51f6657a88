// Several people work by one plan: what others tick appears by itself, and whoever works is named once.
const made = document.querySelector("[data-plan]");
const by = document.getElementById("step-by");

// Where nothing may be kept the name is asked for on each page.
const kept = (name) => { try { return name === undefined ? localStorage.getItem("step-by") || "" : localStorage.setItem("step-by", name); } catch { return ""; } };
if (by) {
  by.value = kept();
  by.addEventListener("change", () => kept(by.value.trim()));
  document.addEventListener("submit", (e) => {
    const who = e.target.elements.namedItem("inspector");
    if (who) who.value = by.value.trim();
  });
}

// News are what the page says now where it said something else. What somebody is just filling in stays as it is.
async function news() {
  if (document.hidden) return;
  const answer = await fetch(location.pathname, { headers: { Accept: "text/html" } });
  if (!answer.ok) return;
  const now = new DOMParser().parseFromString(await answer.text(), "text/html");
  const state = now.querySelector("[data-plan]");
  if (!state || state.dataset.plan !== made.dataset.plan) return location.reload();
  for (const step of now.querySelectorAll("li[data-tick]")) {
    const here = document.getElementById(step.id);
    if (here && here.dataset.tick !== step.dataset.tick && !here.contains(document.activeElement)) here.replaceWith(document.importNode(step, true));
  }
  const count = document.getElementById("steps-done"), counted = now.getElementById("steps-done");
  if (count && counted && count.textContent !== counted.textContent) count.textContent = counted.textContent;
}
if (made) {
  const again = () => news().catch(() => {}); // the line is down: the next time
  setInterval(again, 5000);
  document.addEventListener("visibilitychange", again);
}
