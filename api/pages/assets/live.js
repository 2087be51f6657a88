// An assessment that is finished appears by itself: the server says so, and the page is read again.
const status = document.querySelector("[data-live]");
if (status && "EventSource" in window) {
  const events = new EventSource(status.dataset.live);
  events.addEventListener("assessment", (e) => {
    const { id, state } = JSON.parse(e.data);
    if (state !== "done" || id === status.dataset.newest) return;
    events.close();
    const open = document.querySelector("details[open]") || document.querySelector("input:checked:not([checked])");
    if (status.dataset.reload || !open) {
      location.reload();
      return;
    }
    // Who is reading is not torn away: the news is said, with the way to it.
    status.replaceChildren();
    const link = document.createElement("a");
    link.href = location.href;
    link.textContent = status.dataset.text;
    status.append(link);
  });
}
