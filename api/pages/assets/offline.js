// The service worker: the inspection form opens without a signal. It stands in for nothing else, so
// that no page shows yesterday's verdict as today's. The server puts the names of the assets before
// this text.
const pages = "laidup-pages";
const assets = "laidup-assets-" + kept.join().split("").reduce((h, c) => (Math.imul(h, 31) + c.charCodeAt(0)) >>> 0, 7);
const mostPages = 30;
const patience = 4000; // how long a bad line is waited for where a page is kept

const isForm = (url) => url.pathname === "/inspect" || /^\/vehicles\/[^/]+\/inspect$/.test(url.pathname);

// keep fetches a page and keeps it, unless whoever asks has to sign in first.
async function keep(address) {
  const answer = await fetch(address, { headers: { Accept: "text/html" }, credentials: "same-origin" });
  if (answer.ok && !answer.redirected) await put(address, answer);
  return answer;
}

async function put(address, answer) {
  const cache = await caches.open(pages);
  await cache.delete(address, { ignoreVary: true });
  await cache.put(address, answer);
  const all = await cache.keys(); // the oldest first
  for (const old of all.slice(0, Math.max(0, all.length - mostPages))) await cache.delete(old);
}

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    await (await caches.open(assets)).addAll(kept);
    await keep("/inspect").catch(() => {});
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    // Pages that are kept speak of the assets of their day: only once they are new may those go.
    const cache = await caches.open(pages);
    const renewed = await Promise.all((await cache.keys()).map((r) => keep(r.url).then((a) => a.ok && !a.redirected, () => false)));
    if (renewed.every(Boolean)) {
      for (const name of await caches.keys()) if (name !== pages && name !== assets) await caches.delete(name);
    }
    await self.clients.claim();
  })());
});

self.addEventListener("message", (event) => {
  const url = new URL(event.data.keep, location.href);
  if (url.origin === location.origin && isForm(url)) event.waitUntil(keep(url.href).catch(() => {}));
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== location.origin) return;
  if (request.method === "POST" && url.pathname === "/sign-out") {
    // Whoever signs out leaves no page behind.
    event.waitUntil(caches.delete(pages));
  } else if (request.method === "GET" && url.pathname.startsWith("/assets/")) {
    event.respondWith(caches.match(url.pathname).then((hit) => hit || fetch(request)));
  } else if (request.method === "GET" && request.mode === "navigate" && isForm(url)) {
    event.respondWith(form(event, url));
  }
});

// form answers from the net, or else with what is kept.
async function form(event, url) {
  const address = url.origin + url.pathname + url.search;
  const old = await caches.match(address, { cacheName: pages, ignoreVary: true });
  let stored;
  const net = fetch(event.request).then((answer) => {
    if (answer.ok && answer.type === "basic") stored = put(address, answer.clone());
    return answer;
  });
  event.waitUntil(net.then(() => stored).catch(() => {}));
  if (old) {
    const late = new Promise((done) => setTimeout(done, patience, old));
    return Promise.race([net, late]).catch(() => old);
  }
  return net.catch(() => url.pathname === "/inspect" ? Response.error() : Response.redirect("/inspect"));
}
