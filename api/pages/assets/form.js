// The inspection form. It is built from the catalogue; what is filled in is kept on the phone with
// every change and sent when there is a signal. Where something is marked as at fault, that is the
// service's own word, or one that the service would say as well.
"use strict";
(async () => {
  const root = document.querySelector("[data-inspect]");
  if (!root) return;
  document.querySelector("[data-scriptless]").hidden = true;
  const part = (name) => root.querySelector(`[data-${name}]`);
  const words = JSON.parse(document.getElementById("words").textContent);
  const keeper = root.dataset.inspect;
  const followUp = root.dataset.vehicle !== "";

  // --- Words ---------------------------------------------------------------------------------------

  const say = (key, ...args) => {
    if (!(key in words)) throw new Error("there is no text " + key);
    return words[key].replace(/%[sd]/g, () => args.shift());
  };
  // count says how many: a text of two forms, for one and for any other number.
  const count = (key, n, ...args) => {
    const [one, many] = words[key].split(" | ");
    return (n === 1 ? one : many).replace(/%[sd]/g, (what) => (what === "%d" ? n : args.shift()));
  };
  const spaced = (id) => id.replaceAll("_", " ");
  const upper = (s) => s.charAt(0).toUpperCase() + s.slice(1);
  const plain = (n) => String(Math.round(n * 1000) / 1000);
  const when = (iso) => new Date(iso).toLocaleString(document.documentElement.lang, { dateStyle: "medium", timeStyle: "short" });
  const today = () => {
    const d = new Date();
    return [d.getFullYear(), d.getMonth() + 1, d.getDate()].map((n) => String(n).padStart(2, "0")).join("-");
  };

  // --- Elements ------------------------------------------------------------------------------------

  let made = 0;
  const fresh = () => "f" + ++made;
  function el(tag, props, ...children) {
    const e = document.createElement(tag);
    for (const [name, value] of Object.entries(props || {})) {
      if (value === undefined || value === false) continue;
      if (name.startsWith("on")) e.addEventListener(name.slice(2), value);
      else if (name === "text") e.textContent = value;
      else e.setAttribute(name, value === true ? "" : value);
    }
    e.append(...children.flat().filter((c) => c !== undefined && c !== null && c !== false));
    return e;
  }
  // hidden is said to who does not see what a control stands beside.
  const hidden = (text) => el("span", { class: "hidden", text });
  const said = part("said");
  const announce = (text, ...more) => said.replaceChildren(text, ...more.flatMap((m) => [" ", m]));

  // --- What the phone keeps ------------------------------------------------------------------------

  const prefix = "laidup.draft.";
  let keeps = true; // whether the phone keeps anything for us
  const store = {
    get(name) {
      try { return JSON.parse(localStorage.getItem(name)); } catch { return null; }
    },
    set(name, value) {
      try {
        localStorage.setItem(name, JSON.stringify(value));
        return true;
      } catch {
        return false; // full, or not allowed here
      }
    },
    drop(name) {
      try { localStorage.removeItem(name); } catch { /* nothing was kept */ }
    },
    drafts() {
      const all = [];
      try {
        for (let i = 0; i < localStorage.length; i++) {
          const d = localStorage.key(i).startsWith(prefix) && store.get(localStorage.key(i));
          if (d && d.laidup_draft === 1) all.push(d);
        }
      } catch { /* nothing is kept */ }
      return all.sort((a, b) => (a.changed < b.changed ? 1 : -1));
    },
  };
  const liked = Object.assign({ units: {}, inspector: "" }, store.get("laidup.liked"));
  const like = () => store.set("laidup.liked", liked);

  // An id of 128 random bits. It is the Idempotency-Key, too: whatever happens on the way, a draft
  // becomes one report. (crypto.randomUUID is not to be had without HTTPS.)
  const newID = () => Array.from(crypto.getRandomValues(new Uint8Array(16)), (b) => b.toString(16).padStart(2, "0")).join("");

  function newDraft() {
    return {
      laidup_draft: 1, id: newID(), keeper, kind: followUp ? "follow_up" : "new", vehicle: root.dataset.vehicle, gate: root.dataset.gate || cat.asks,
      begun: new Date().toISOString(), changed: new Date().toISOString(), state: "kept", tried: false,
      head: { date: today(), inspector: liked.inspector, purpose: "" },
      facts: {}, found: {}, notes: {}, photos: {}, faults: [],
    };
  }
  const isDraft = (d) => d && d.laidup_draft === 1 && /^[0-9a-f]{32}$/.test(d.id) && ["head", "facts", "found", "notes"].every((k) => d[k] && typeof d[k] === "object") &&
    (d.photos === undefined || d.photos && typeof d.photos === "object" && Object.values(d.photos).every((list) => Array.isArray(list) && list.every((p) => p && /^[0-9a-f]{32}$/.test(p.key))));

  let draft;
  let begun = false; // whether anything was said: an empty draft is not kept
  function keep(d) {
    d.changed = new Date().toISOString();
    const ok = store.set(prefix + d.id, d);
    if (!ok && keeps) announce(say("not_kept"));
    keeps = ok;
    listKept();
  }

  // --- Photos --------------------------------------------------------------------------------------

  // A photo waits in the browser's database under a key of its own, by which the draft knows it, until the draft is
  // sent: then the service gives it an id.
  const album = {
    ask: (mode, what) => new Promise((done, failed) => {
      const opened = indexedDB.open("laidup", 1);
      opened.onupgradeneeded = () => opened.result.createObjectStore("photos");
      opened.onerror = () => failed(opened.error);
      opened.onsuccess = () => {
        const tx = opened.result.transaction("photos", mode);
        const request = what(tx.objectStore("photos"));
        const end = (go) => () => { opened.result.close(); go(); };
        tx.oncomplete = end(() => done(request.result));
        tx.onabort = end(() => failed(tx.error));
      };
    }),
    put: (key, photo) => album.ask("readwrite", (photos) => photos.put({ photo, at: Date.now() }, key)),
    get: (key) => album.ask("readonly", (photos) => photos.get(key)),
    keys: () => album.ask("readonly", (photos) => photos.getAllKeys()),
    drop: (key) => album.ask("readwrite", (photos) => photos.delete(key)).catch(() => { /* it is gone, or goes later */ }),
  };
  const photosOf = (d) => Object.values(d.photos || {}).flat();
  const forget = (d) => photosOf(d).forEach((p) => album.drop(p.key));

  // tidyAlbum drops what no draft knows. What was taken today may be that of another page.
  async function tidyAlbum() {
    try {
      const known = new Set(store.drafts().flatMap(photosOf).map((p) => p.key));
      for (const key of await album.keys()) {
        if (!known.has(key) && (await album.get(key)).at < Date.now() - 86400000) await album.drop(key);
      }
    } catch { /* nothing is kept here */ }
  }

  // --- The catalogue -------------------------------------------------------------------------------

  let cat;
  try {
    const answer = await fetch(root.dataset.catalogue);
    if (!answer.ok) throw new Error(String(answer.status));
    cat = await answer.json();
  } catch {
    announce(say("loading_failed"));
    return;
  }
  const absent = new Set(root.dataset.absent.split(" "));
  const placesKnown = JSON.parse(root.dataset.places || "{}");
  const items = new Map(); // by id
  for (const s of cat.systems) {
    for (const it of s.items) {
      it.system = s;
      // A part that was renewed by itself, and that there is none, are said as findings are.
      it.more = [
        ...cat.common,
        ...(it.parts || []).map((part) => ({ id: "part:" + part, part, is: say("part_renewed", spaced(part)), kind: "date" })),
        { id: "fitted", is: say("fitted"), kind: "choice", values: ["false"], says: { false: say("has_none") }, ways: "none_fitted" },
      ];
      it.all = [...it.finds, ...it.more];
      items.set(it.id, it);
    }
  }
  const factKey = (f) => f.in + "." + f.id;
  // Some facts are taken from what was reported at all.
  const telling = new Set(cat.facts.flatMap((f) => (f.taken || []).map((t) => t.reported)).filter(Boolean));
  const reported = (item) => Object.entries(draft.found).some(([key, found]) => key.split("@")[0] === item && Object.values(found).some(given));

  // told has the facts by their place in the catalogue: what was said, and what is taken from that.
  function told() {
    const known = cat.facts.map((f) => (draft.facts[factKey(f)] || {}).v || "");
    cat.facts.forEach((f, i) => {
      if (known[i]) return;
      const taken = (f.taken || []).find((t) => (t.reported ? reported(t.reported) : !t.when || decides(t.when, known)));
      if (taken) known[i] = taken.is;
    });
    return known;
  }

  // decides follows the steps of a decision, which the server has made of a condition.
  function decides(decision, known) {
    let at = decision.start;
    while (at > 1) {
      const { of, cuts, to } = decision.steps[at - 2];
      const f = cat.facts[of];
      let way = to.length - 1; // not known
      if (f.kind === "date") {
        const year = parseInt(known[of], 10);
        if (year >= 1000) way = (cuts || []).filter((cut) => year >= cut).length;
      } else {
        const value = (f.kind === "flag" ? ["false", "true"] : f.values).indexOf(known[of]);
        if (value >= 0) way = value;
      }
      at = to[way];
    }
    return at === 1;
  }

  // fitted says whether the vehicle has an item, or may have it.
  function fitted(it, known = told()) {
    if (draft.kind === "follow_up") return !absent.has(it.id);
    return !it.fitted || decides(it.fitted, known);
  }

  // placesOf has the positions at which the vehicle has an item; none: it has one only.
  const mostPlaces = 12; // of what is counted, where nobody said how many there are
  function placesOf(it) {
    if (!it.places) return [];
    if (placesKnown[it.id]) return placesKnown[it.id];
    const known = told();
    const all = it.places.find((p) => !p.when || decides(p.when, known)).are;
    if (!it.places_of) return all;
    const n = parseInt((draft.facts[it.places_of] || {}).v, 10);
    return all.slice(0, n > 0 ? n : mostPlaces);
  }

  // What is found at a position stands under the item and the positions: brake_hoses@front_left, and
  // brake_hoses@front_left+rear_left where one thing was said of both. Without positions it is said of
  // all alike.
  const keyAt = (item, at) => (at && at.length ? item + "@" + at.join("+") : item);
  const itemOf = (key) => items.get(key.split("@")[0]);
  const atOf = (key) => (key.includes("@") ? key.split("@")[1].split("+") : []);
  const placed = (key) => atOf(key).map(spaced).join(", ");
  const named = (it, key) => (key.includes("@") ? `${it.is} (${placed(key)})` : it.is);
  // keysOf lists where something was said of an item: of all alike first.
  const keysOf = (it) => Object.keys(draft.found).filter((k) => itemOf(k) === it).sort((a, b) => {
    const order = (k) => (k === it.id ? -1 : placesOf(it).indexOf(atOf(k)[0]));
    return order(a) - order(b) || (a < b ? -1 : 1);
  });

  // --- Values --------------------------------------------------------------------------------------

  // A slot is where a value of the draft stands: {v, unit, by}. Its name is "head.date",
  // "fact.vehicle.fuel" or "find.tyres.tread".
  const live = new Map(); // the fields that show a slot, by its name
  const slots = {
    head: (k) => ({ get: () => ({ v: draft.head[k] }), set: (s) => { draft.head[k] = s.v; } }),
    fact: (k) => ({ get: () => draft.facts[k] || {}, set: (s) => put(draft.facts, k, s) }),
    find: (item, id) => ({
      get: () => (draft.found[item] || {})[id] || {},
      set: (s) => {
        put((draft.found[item] ||= {}), id, s);
        if (Object.keys(draft.found[item]).length === 0) delete draft.found[item];
      },
    }),
    note: (item) => ({ get: () => ({ v: draft.notes[item] }), set: (s) => (s.v ? (draft.notes[item] = s.v) : delete draft.notes[item]) }),
  };
  function put(into, key, s) {
    if (!s.v && !s.by) delete into[key];
    else into[key] = s;
  }
  const slotOf = (name) => {
    const [kind, ...rest] = name.split(".");
    return kind === "fact" ? slots.fact(rest.join(".")) : slots[kind](...rest);
  };
  const given = (s) => s.v !== undefined && s.v !== "";
  const ways = (spec) => cat.ways[spec.ways || spec.kind];
  // Nobody's word is taken for given: until somebody says how a thing is known, it is not.
  const method = (item, spec) => slots.find(item, spec.id).get().by || "";
  const proves = (by) => cat.methods.some((m) => m.id === by && m.proves);
  const known = (item, spec) => spaced(method(item, spec)) || say("by_unsaid");

  // change is what every field calls.
  function change(name, next, from) {
    const slot = slotOf(name);
    slot.set({ ...slot.get(), ...next });
    forgive(name);
    for (const f of live.get(name) || []) if (f !== from) f.show();
    if (name.startsWith("fact.") || telling.has(name.split(".")[1])) refit();
    if (name === "head.inspector") { liked.inspector = next.v; like(); }
    tally(name);
    if (!begun) mark();
    draft.state = "kept";
    keep(draft);
    showState();
  }
  // mark lets this address mean this draft, so that a page that is read again shows it again.
  function mark() {
    begun = true;
    history.replaceState(null, "", location.pathname + location.search + "#" + draft.id);
  }

  // read makes of a slot what a report has, or says what is wrong with it.
  function read(spec, s) {
    const text = String(s.v).trim();
    const wrong = (...args) => ({ fault: say(...args) });
    switch (spec.kind) {
      case "flag": return { value: text === "true" };
      case "choice": return { value: text };
      case "quantity": case "count": {
        const number = text.replace(",", ".").replace("−", "-");
        if (!/^-?(\d+\.?\d*|\.\d+)$/.test(number)) return wrong("fault_number");
        const n = Number(number);
        if (spec.kind === "count" && !Number.isInteger(n)) return wrong("fault_whole");
        const unit = spec.kind === "count" ? "" : unitOf(spec, s);
        const [lo, hi] = (spec.bounds || {})[unit] || [-Infinity, Infinity];
        if (n < lo || n > hi) return { fault: say("fault_range", plain(lo), plain(hi), cat.signs[unit] || "").trim() };
        return { value: spec.kind === "count" ? n : { value: n, unit } };
      }
      case "date": {
        const d = text.replace(/[./ ]/g, "-").replace(/^(\d{4})(\d{2})(\d{2})?$/, (_, y, m, d) => [y, m, d].filter(Boolean).join("-"));
        return /^\d{4}(-\d{2}){0,2}$/.test(d) ? { value: d } : wrong("fault_date");
      }
      case "week_code": return /^\d{4}$/.test(text) ? { value: text } : wrong("fault_week");
    }
    return { value: text };
  }
  const unitsOf = (spec) => cat.units[spec.unit] || [spec.unit];
  function unitOf(spec, s) {
    if (s.unit) return s.unit;
    const all = unitsOf(spec);
    return [liked.units[spec.id], liked.units[spec.unit]].find((u) => all.includes(u)) || all[0];
  }
  // shown puts a value in words.
  function shown(spec, s) {
    if (spec.kind === "flag") return say(s.v === "true" ? "yes" : "no");
    if (spec.kind === "quantity") return `${s.v} ${cat.signs[unitOf(spec, s)]}`.trim();
    return (spec.says || {})[s.v] || spaced(String(s.v));
  }

  // --- Fields --------------------------------------------------------------------------------------

  // field makes the field of a slot. There may be several of one slot: they follow each other.
  function field(name, spec, options = {}) {
    const id = fresh();
    const slot = slotOf(name);
    const fault = el("p", { class: "fault", id: id + "-fault", hidden: true });
    const hint = options.hint && el("p", { class: "small", id: id + "-hint", text: options.hint });
    const described = [hint && hint.id].filter(Boolean).join(" ") || undefined;
    let control, body, display;
    const choices = spec.kind === "flag" ? [["true", say("yes")], ["false", say("no")]] : (spec.values || []).map((v) => [v, (spec.says || {})[v] || spaced(v)]);
    if (spec.kind === "flag" || spec.kind === "choice") {
      const radios = [["", options.resting], ...choices].map(([value, label]) => {
        const input = el("input", { type: "radio", name: id, value, onchange: () => change(name, { v: value }, me) });
        return [input, el("label", { class: "chip" }, input, el("span", { text: label }))];
      });
      control = el("fieldset", { role: "radiogroup", "aria-describedby": described }, el("legend", { text: upper(spec.is) }), hint, el("div", { class: "chips" }, radios.map((r) => r[1])), fault);
      display = (s) => radios.forEach(([input]) => { input.checked = input.value === (s.v || ""); });
      body = control;
    } else {
      control = spec.kind === "note"
        ? el("textarea", { id, rows: 2, maxlength: cat.limits.note, "aria-describedby": described })
        : el("input", {
          id, type: spec.kind === "day" ? "date" : "text", "aria-describedby": described, autocomplete: "off", spellcheck: "false", required: options.required,
          maxlength: options.most || cat.limits.text, class: ["quantity", "count", "week_code", "date"].includes(spec.kind) ? "short" : undefined,
          autocapitalize: options.plain ? "none" : undefined,
          inputmode: { quantity: "decimal", count: "numeric", week_code: "numeric", date: "numeric" }[spec.kind],
        });
      control.addEventListener("input", () => change(name, { v: control.value, ...(spec.kind === "quantity" && { unit: unit ? unit.value : unitsOf(spec)[0] }) }, me));
      control.addEventListener("change", () => {
        const s = slot.get();
        const { fault: wrong } = given(s) ? read(spec, s) : {};
        if (wrong) fail(name, wrong);
      });
      const extra = [];
      let unit;
      if (spec.kind === "quantity") {
        const all = unitsOf(spec);
        if (all.length > 1) {
          unit = el("select", {
            "aria-label": say("unit_of", upper(spec.is)),
            onchange: () => {
              liked.units[spec.id] = liked.units[spec.unit] = unit.value;
              like();
              if (given(slot.get())) change(name, { unit: unit.value }, me);
            },
          }, all.map((u) => el("option", { value: u, text: cat.signs[u] })));
          extra.push(unit);
        } else {
          extra.push(el("span", { class: "unit", text: cat.signs[all[0]] }));
        }
        if (Object.values(spec.bounds || {}).some(([lo]) => lo < 0)) { // not every phone's number keys have a minus
          extra.unshift(el("button", {
            type: "button", class: "plain",
            onclick: () => { control.value = control.value.startsWith("-") ? control.value.slice(1) : "-" + control.value; control.dispatchEvent(new Event("input")); },
          }, say("sign"), hidden(say("sign_of", upper(spec.is)))));
        }
      }
      if (spec.kind === "date" && name.startsWith("find.")) {
        extra.push(el("button", { type: "button", class: "plain", onclick: () => { control.value = draft.head.date || today(); control.dispatchEvent(new Event("input")); } }, say("day"), hidden(say("day_of", upper(spec.is)))));
      }
      display = (s) => {
        if (control.value !== (s.v || "")) control.value = s.v || "";
        if (unit) unit.value = unitOf(spec, s);
      };
      body = el("div", {}, el("label", { for: id, text: upper(spec.is) }), hint, el("div", { class: "measure" }, control, extra), fault);
    }
    const by = options.item && el("select", {
      onchange: () => change(name, { by: by.value || undefined }, me),
    }, methodOptions(options.clears ? ways(spec).clear : ways(spec).known, say("choose")));
    const me = {
      name,
      root: el("div", { class: "field" }, body, by && el("label", { class: "by" }, el("span", {}, hidden(upper(spec.is) + ": "), say("by")), by)),
      show() {
        display(slot.get());
        if (!by) return;
        const m = method(options.item, spec);
        // What was said elsewhere is shown as it was said, though it be none of those offered here.
        if (m && ![...by.options].some((o) => o.value === m)) by.append(...methodOptions([m]));
        by.value = m;
      },
      fail(text) {
        fault.textContent = text ? upper(spec.is) + ": " + text : "";
        fault.hidden = !text;
        control.setAttribute("aria-describedby", [text && fault.id, described].filter(Boolean).join(" "));
        if (text) control.setAttribute("aria-invalid", "true");
        else control.removeAttribute("aria-invalid");
        me.root.classList.toggle("wrong", Boolean(text));
      },
      focus: () => (control.matches("fieldset") ? control.querySelector("input:checked") || control.querySelector("input") : control).focus(),
    };
    if (!live.has(name)) live.set(name, new Set());
    live.get(name).add(me);
    me.show();
    const known = draft.faults.find((f) => f.name === name);
    if (known) me.fail(known.detail);
    return me;
  }

  const methodOptions = (ids, none) => [none && el("option", { value: "", text: none }), ids.map((id) => el("option", { value: id, text: spaced(id) }))].flat().filter(Boolean);

  // byAll is the method of several findings at once: of those that may be known by it.
  function byAll(list) {
    const ids = cat.methods.map((m) => m.id).filter((id) => list.some(({ offered }) => offered.includes(id)));
    const all = el("select", {
      onchange: () => {
        const by = all.value; // what it shows goes with every change
        if (by) for (const { name, offered } of list) if (offered.includes(by)) change(name, { by });
      },
    }, methodOptions(ids, say("each")));
    return {
      root: el("label", { class: "by all-by" }, el("span", { text: say("all_by") }), all),
      show() {
        const named = new Set(list.map(({ name }) => slotOf(name).get().by).filter(Boolean));
        const [one] = named;
        all.value = named.size === 1 && ids.includes(one) && list.every(({ name, offered }) => slotOf(name).get().by === one || !offered.includes(one)) ? one : "";
      },
    };
  }

  function hintOf(spec) {
    if (spec.kind === "date") return say("date_hint");
    if (spec.kind === "week_code") return say("week_hint");
    return undefined;
  }
  const findField = (key, spec, clears) => field(`find.${key}.${spec.id}`, spec, {
    item: key, resting: say("not_looked"), clears: Boolean(clears), hint: clears && spec.kind !== "date" ? say("would_clear", clears) : hintOf(spec),
  }).root;

  // --- The parts of the form -----------------------------------------------------------------------

  function buildHead() {
    const head = (k, spec, options) => field("head." + k, { id: k, kind: "text", is: say(k), ...spec }, options).root;
    const choose = (k, list) => {
      const select = el("select", { onchange: () => { if (k === "gate") draft.gate = select.value; change("head." + k, { v: select.value }); } }, list.map(([value, text]) => el("option", { value, text })));
      const show = () => { select.value = (k === "gate" ? draft.gate : draft.head[k]) || ""; };
      const me = { show, fail() {}, root: el("label", { class: "field" }, el("span", { text: say(k) }), select), focus: () => select.focus() };
      live.set("head." + k, new Set([me]));
      show();
      return me.root;
    };
    const gates = choose("gate", cat.gates.map((g) => [g.id, upper(spaced(g.id)) + ": " + g.is]));
    const visit = [
      head("date", { kind: "day" }, { required: true }),
      head("inspector"),
      gates,
    ];
    if (!followUp) {
      part("head").append(el("section", {}, el("h2", { text: say("vehicle") }),
        head("reference", {}, { required: true, hint: say("reference_hint"), most: 100, plain: true }), head("description"), head("vin", {}, { plain: true })));
      visit.push(choose("purpose", [["", say("none")], ...cat.purposes.map((p) => [p, spaced(p)])]), head("own"));
    }
    part("head").append(el("section", {}, el("h2", { text: say("visit") }), visit, vehiclePhotos()));
  }

  function buildFacts() {
    if (followUp) return;
    const fact = (f) => field("fact." + factKey(f), f, { resting: say("not_known"), hint: hintOf(f) }).root;
    const of = (where) => cat.facts.filter((f) => f.in === where).map(fact);
    part("facts").append(
      el("section", {}, el("h2", { text: say("facts") }), el("p", { text: say("facts_is") }), of("vehicle")),
      el("section", {}, el("h2", { text: say("lay_up") }), of("lay_up")),
    );
  }

  // foundOn lists what was found on an item, and where.
  const foundOn = (it) => keysOf(it).flatMap((key) => it.all.filter((spec) => given(slots.find(key, spec.id).get())).map((spec) => ({ key, spec })));

  function buildSystems() {
    for (const s of cat.systems) {
      s.tally = el("span", { class: "small" });
      s.inner = el("div", { class: "items" });
      s.root = el("details", { class: "system" }, el("summary", {}, el("b", { text: upper(s.is) }), " ", s.tally), s.inner);
      s.root.addEventListener("toggle", () => s.root.open && buildSystem(s));
      part("systems").append(s.root);
    }
    refit();
  }

  // What is in a system is built once it is opened: all of it at once would be slow on a phone.
  function buildSystem(s) {
    if (s.built) return;
    s.built = true;
    for (const it of s.items) {
      it.tally = el("span", { class: "small" });
      it.inner = el("div", { class: "finds" });
      it.root = el("details", { class: "item" }, el("summary", {}, el("b", { text: upper(it.is) }), it.tally), it.inner);
      it.root.addEventListener("toggle", () => it.root.open && buildItem(it));
      s.inner.append(it.root);
    }
    refit();
  }

  function buildItem(it) {
    if (it.built) return;
    it.built = true;
    it.fault = el("p", { class: "fault", id: fresh(), tabindex: -1, hidden: true });
    const me = {
      show: () => it.shownAt && it.shownAt.all.show(),
      fail(text) { it.fault.textContent = text; it.fault.hidden = !text; it.root.classList.toggle("wrong", Boolean(text)); },
      focus: () => it.fault.focus(),
    };
    live.set("item." + it.id, new Set([me]));
    const known = draft.faults.find((f) => f.name === "item." + it.id);
    if (known) me.fail(known.detail);
    it.where = el("div", {});
    it.panels = new Map(); // by where: built when it is first shown
    it.inner.append(
      el("p", { class: "small", text: it.access ? say("effort_off", plain(it.minutes), spaced(it.access)) : say("effort", plain(it.minutes)) }),
      it.fault,
      it.where,
      el("div", { class: "finds" }, field("note." + it.id, { id: "note", kind: "note", is: say("note") }).root, photoField(it.id, "item." + it.id, say("photo"))),
    );
    chooseWhere(it);
    showAt(it, keysOf(it)[0] || it.id);
  }

  const photoKinds = ["image/jpeg", "image/png", "image/webp"];
  const mostPhoto = 15 * 1024 * 1024;

  // Photos of the vehicle as a whole are kept beside those of items, under a name that no item has.
  const whole = "*";

  // photoField takes photos of one thing, and lists those that were taken. What is wrong with them is said under name.
  function photoField(of, name, label) {
    const id = fresh();
    const list = el("ul", { class: "taken" });
    const changed = () => {
      if (draft.photos[of].length === 0) delete draft.photos[of];
      forgive(name);
      if (!begun) mark();
      draft.state = "kept";
      keep(draft);
      show();
      showState();
    };
    const show = () => list.replaceChildren(...(draft.photos[of] || []).map((p) => el("li", {}, say("photo_taken", p.name, plain(Math.round(p.size / 1e5) / 10)), " ",
      el("button", {
        type: "button", class: "plain",
        onclick: () => {
          draft.photos[of] = draft.photos[of].filter((other) => other !== p);
          album.drop(p.key);
          changed();
          input.focus();
        },
      }, say("photo_remove"), hidden(" " + p.name)))));
    const input = el("input", {
      type: "file", id, accept: photoKinds.join(), capture: "environment",
      onchange: async () => {
        const [photo] = input.files, to = draft;
        input.value = "";
        if (!photo) return;
        if (!photoKinds.includes(photo.type) || photo.size > mostPhoto) return fail(name, say("photo_kind", photo.name));
        const p = { key: newID(), name: photo.name, size: photo.size };
        try {
          await album.put(p.key, photo);
        } catch {
          return fail(name, say("photo_not_kept", photo.name));
        }
        if (to !== draft || !["kept", "refused"].includes(draft.state)) return album.drop(p.key); // it is sent, or another is shown
        (draft.photos[of] ||= []).push(p);
        changed();
      },
    });
    show();
    return el("div", { class: "field" }, el("label", { for: id, text: label }), input, list);
  }

  // vehiclePhotos takes those of the vehicle as a whole.
  function vehiclePhotos() {
    const fault = el("p", { class: "fault", tabindex: -1, hidden: true });
    const box = el("div", {}, fault, photoField(whole, "head.photos", say("photos")));
    const me = {
      show() {},
      fail(text) { fault.textContent = text; fault.hidden = !text; box.classList.toggle("wrong", Boolean(text)); },
      focus: () => fault.focus(),
    };
    live.set("head.photos", new Set([me]));
    const known = draft.faults.find((f) => f.name === "head.photos");
    if (known) me.fail(known.detail);
    return box;
  }

  // chooseWhere offers the positions of an item: what is entered is of the one chosen, or of all alike.
  function chooseWhere(it, besides = []) {
    const keys = [...new Set([it.id, ...placesOf(it).map((p) => keyAt(it.id, [p])), ...keysOf(it), ...besides])];
    if (it.keys && it.keys.join() === keys.join()) return;
    it.keys = keys;
    it.mark = undefined;
    if (it.at && !keys.includes(it.at)) showAt(it, it.id); // there is none there any more
    if (keys.length === 1) {
      it.where.replaceChildren();
      return;
    }
    const group = fresh();
    const radios = keys.map((key) => {
      const text = el("span", {});
      const input = el("input", { type: "radio", name: group, value: key, onchange: () => showAt(it, key) });
      return { key, input, text, root: el("label", { class: "chip" }, input, text) };
    });
    it.where.replaceChildren(el("fieldset", { role: "radiogroup", class: "where" }, el("legend", { text: say("where") }), el("p", { class: "small", text: say("where_is") }), el("div", { class: "chips" }, radios.map((r) => r.root))));
    it.mark = () => {
      for (const r of radios) {
        const n = it.all.filter((spec) => given(slots.find(r.key, spec.id).get())).length;
        r.text.textContent = (r.key === it.id ? say("all_alike") : upper(placed(r.key))) + (n ? ` (${n})` : "");
        r.input.checked = r.key === it.at;
      }
    };
    it.mark();
  }

  // showAt shows the fields of an item at a place.
  function showAt(it, key) {
    it.at = key;
    if (!it.keys.includes(key)) chooseWhere(it, [key]);
    if (!it.panels.has(key)) {
      const all = byAll(it.all.filter((f) => f.ways !== "none_fitted").map((f) => ({ name: `find.${key}.${f.id}`, offered: ways(f).known })));
      // That there is none is said of the whole item.
      const more = it.more.filter((f) => key === it.id || f.ways !== "none_fitted");
      const panel = { all, root: el("div", { class: "finds" }, all.root, ...it.finds.map((f) => findField(key, f)), el("details", { class: "common" }, el("summary", { text: say("common") }), more.map((f) => findField(key, f)))) };
      it.panels.set(key, panel);
      it.inner.lastElementChild.before(panel.root);
    }
    it.panels.forEach((panel, k) => { panel.root.hidden = k !== key; });
    it.shownAt = it.panels.get(key);
    it.shownAt.all.show();
    if (it.mark) it.mark();
  }

  // refit shows what the vehicle has, or may have.
  function refit() {
    const known = told();
    for (const s of cat.systems) {
      for (const it of s.items) {
        if (it.root) it.root.hidden = !fitted(it, known);
        if (it.built) chooseWhere(it);
      }
      s.root.hidden = !s.items.some((it) => fitted(it, known));
    }
    tally();
  }

  // tally says how much was looked at; of one item, where a name is given.
  function tally(name) {
    const of = name && name.split(".")[1].split("@")[0];
    const facts = told();
    for (const s of cat.systems) {
      if (of && items.has(of) && items.get(of).system !== s) continue;
      const there = s.items.filter((it) => fitted(it, facts));
      s.tally.textContent = say("looked", there.filter((it) => foundOn(it).length > 0).length, there.length);
      for (const it of s.items) {
        if (!it.tally || of && items.has(of) && it.id !== of) continue;
        const list = foundOn(it).map(({ key, spec }) => `${key.includes("@") ? placed(key) + ": " : ""}${spec.is} ${shown(spec, slots.find(key, spec.id).get())} (${known(key, spec)})`);
        it.tally.textContent = list.length ? list.join(", ") : say("not_looked");
        if (it.mark) it.mark();
      }
    }
    cards.forEach((show) => show());
  }

  // --- What stands in the way ----------------------------------------------------------------------

  const cards = [];

  // A card asks for each value of what clears an entry. It fills in nothing: what nobody enters is not
  // found, and what is entered is sent as what it is, whether it clears or not.
  function buildCard(li) {
    const clears = JSON.parse(li.dataset.clear).flatMap(({ item, fact, at, found }) => {
      if (fact) return cat.facts.filter((f) => factKey(f) === fact).map((spec) => ({ spec, value: found[spec.id], name: "fact." + fact, of: say("facts") }));
      const it = items.get(item), key = keyAt(item, at);
      return it ? it.all.filter((f) => f.id in found).map((spec) => ({ key, spec, value: found[spec.id], name: `find.${key}.${spec.id}`, of: named(it, key) })) : [];
    });
    if (clears.length === 0) return;
    const box = el("div", { class: "done" });
    li.append(box);
    const slot = (c) => slotOf(c.name);
    const words = (value) => (value && value.unit ? `${value.value} ${cat.signs[value.unit] || value.unit}` : value === true ? say("yes") : value === false ? say("no") : spaced(String(value)));
    const several = new Set(clears.map((c) => c.of)).size > 1;
    const title = (c) => (several ? `${c.of}: ${c.spec.is}` : c.spec.is);
    const told = (c) => slot(c).get().by && !proves(slot(c).get().by);
    const unsaid = (c) => c.key && !slot(c).get().by; // a fact is known as it is
    // falls says of what is entered that it cannot clear, where the form can tell.
    const falls = (c) => {
      const { v } = slot(c).get();
      if (!c.key) return false; // any value of a fact is an answer
      if (told(c)) return true;
      if (c.spec.kind === "flag") return v !== String(c.value);
      return c.spec.kind === "choice" && c.spec.values.indexOf(v) > c.spec.values.indexOf(c.value);
    };
    let open = false;
    const takeBack = () => {
      for (const c of clears) change(c.name, { v: undefined, by: undefined });
      open = false;
      show();
      box.querySelector("button").focus();
    };
    const line = el("div", { class: "stands", tabindex: -1 });
    const finds = clears.filter((c) => c.key);
    const all = finds.length > 1 && byAll(finds.map((c) => ({ name: c.name, offered: ways(c.spec).clear })));
    const show = () => {
      const touched = clears.some((c) => given(slot(c).get()) || slot(c).get().by);
      const state = touched || open ? "asks" : "rest";
      if (state === "asks") {
        const filled = clears.filter((c) => given(slot(c).get()));
        const missing = clears.flatMap((c) => (!given(slot(c).get()) ? [title(c)] : unsaid(c) ? [say("known_by", title(c))] : []));
        const not = filled.filter(falls);
        line.replaceChildren(...[
          filled.length > 0 && say("filled", filled.map((c) => `${title(c)} ${shown(c.spec, slot(c).get())}${c.key ? ` (${known(c.key, c.spec)})` : ""}`).join(", ")),
          missing.length > 0 && say("to_fill", missing.join(", ")),
          not.length > 0 && say("does_not_clear", not.map((c) => (told(c) ? say("only_told", title(c)) : `${title(c)} ${shown(c.spec, slot(c).get())}`)).join(", ")),
        ].filter(Boolean).flatMap((text) => [el("p", { text }), " "]));
        if (all) all.show();
      }
      if (box.dataset.state === state) return;
      box.dataset.state = state;
      for (const c of clears) for (const f of [...(live.get(c.name) || [])]) if (box.contains(f.root)) live.get(f.name).delete(f);
      if (state === "rest") {
        box.replaceChildren(el("button", { type: "button", text: say("done"), onclick: () => { open = true; show(); line.focus(); } }));
        return;
      }
      const fields = clears.map((c, i) => [
        several && (i === 0 || clears[i - 1].of !== c.of) && el("p", { class: "of", text: upper(c.of) }),
        c.key ? findField(c.key, c.spec, words(c.value)) : field(c.name, c.spec, { resting: say("not_known"), hint: say("would_clear", words(c.value)) }).root,
      ]).flat().filter(Boolean);
      box.replaceChildren(line, ...[all && all.root, ...fields].filter(Boolean), el("button", { type: "button", class: "plain", text: say("take_back"), onclick: takeBack }));
    };
    cards.push(show);
    show();
  }

  // --- The report ----------------------------------------------------------------------------------

  // compose makes the report of the draft. observed says which finding stands where, for the faults.
  function compose() {
    const d = draft;
    const faults = [], observed = [];
    const wrong = (name, detail) => faults.push({ name, detail });
    const text = (k) => (d.head[k] || "").trim() || undefined;
    const report = { schema: cat.schema };
    if (d.kind === "follow_up") {
      report.vehicle = { reference: d.vehicle };
      report.inspection = { date: d.head.date, inspector: text("inspector"), purpose: "follow_up" };
    } else {
      report.reference = text("own");
      report.vehicle = { reference: text("reference"), description: text("description"), vin: text("vin") };
      report.inspection = { date: d.head.date, inspector: text("inspector"), purpose: d.head.purpose || undefined };
      if (!report.vehicle.reference) wrong("head.reference", say("fault_missing"));
    }
    let facts = 0;
    for (const f of cat.facts) {
      const s = d.facts[factKey(f)] || {};
      if (!given(s)) continue;
      facts++;
      const { value, fault } = read(f, s);
      if (fault) wrong("fact." + factKey(f), fault);
      const path = f.id.split(".");
      const into = path.slice(0, -1).reduce((o, k) => (o[k] ||= {}), (report[f.in] ||= {}));
      into[path.at(-1)] = value;
    }
    if (!d.head.date) wrong("head.date", say("fault_missing"));
    const taken = (d.photos[whole] || []).map((p) => p.key);
    if (taken.length) report.photos = taken;
    report.observations = [];
    for (const it of items.values()) {
      if (!fitted(it)) continue;
      const sets = new Map(); // one for each observation
      const found = foundOn(it);
      for (const { key, spec } of found) {
        const name = `find.${key}.${spec.id}`;
        const by = method(key, spec);
        if (!by) wrong(name, say("fault_method"));
        if (spec.id === "fitted") {
          if (found.length > 1) wrong(name, say("fault_fitted"));
          sets.set(name, { key, by, fitted: false, finds: [] });
          continue;
        }
        const { value, fault } = read(spec, slots.find(key, spec.id).get());
        if (fault) wrong(name, fault);
        const of = spec.part ? name : key + " " + by;
        if (!sets.has(of)) sets.set(of, { key, by, part: spec.part, found: {}, finds: [] });
        sets.get(of).found[spec.part ? "renewed" : spec.id] = value;
        sets.get(of).finds.push(spec.id);
      }
      let note = (d.notes[it.id] || "").trim() || undefined;
      if (note && sets.size === 0) wrong("note." + it.id, say("fault_note"));
      let photos = (d.photos[it.id] || []).map((p) => p.key);
      if (photos.length && sets.size === 0) wrong("item." + it.id, say("fault_photo"));
      for (const { key, by, part, found, fitted, finds } of sets.values()) {
        const at = atOf(key);
        observed.push({ item: key, part, finds });
        report.observations.push({ item: it.id, at: at.length ? at : undefined, method: by, part, found, fitted, note, photos: photos.length ? photos : undefined });
        note = undefined;
        photos = [];
      }
    }
    if (d.kind === "follow_up" && report.observations.length === 0 && facts === 0) wrong("", say("fault_empty"));
    return { body: JSON.stringify(report), observed, faults };
  }

  // place finds the field that a JSON Pointer speaks of; "" is none.
  function place(pointer, observed) {
    const path = pointer.split("/").slice(1).map((p) => p.replaceAll("~1", "/").replaceAll("~0", "~"));
    if (path[0] === "observations") {
      const o = observed[path[1]];
      if (!o) return "";
      const of = o.item.split("@")[0];
      if (o.part && path[2] === "found") return `find.${o.item}.part:${o.part}`;
      if (path[2] === "found" && o.finds.includes(path[3])) return `find.${o.item}.${path[3]}`;
      if (path[2] === "fitted") return `find.${o.item}.fitted`;
      if (path[2] === "method") return `find.${o.item}.${o.finds[0] || "fitted"}`;
      return path[2] === "note" ? "note." + of : "item." + of;
    }
    if (path[0] === "inspection") return "head." + path[1];
    if (path[0] === "reference") return "head.own";
    if (path[0] === "photos") return "head.photos";
    if (path[0] === "vehicle" && ["reference", "description", "vin"].includes(path[1])) return "head." + path[1];
    for (let n = path.length; n > 1; n--) {
      const key = path[0] + "." + path.slice(1, n).join(".");
      if (cat.facts.some((f) => factKey(f) === key)) return "fact." + key;
    }
    return "";
  }

  // --- Faults --------------------------------------------------------------------------------------

  function fail(name, detail) {
    draft.faults = draft.faults.filter((f) => f.name !== name).concat(detail ? [{ name, detail }] : []);
    for (const f of live.get(name) || []) f.fail(detail);
    if (begun) store.set(prefix + draft.id, draft);
  }
  // forgive takes a fault away once its field was changed: whether it is mended the service says.
  function forgive(name) {
    const [kind, key] = name.split(".");
    const item = kind === "find" && key.split("@")[0];
    for (const n of kind === "find" ? [name, "item." + item, "note." + item] : [name]) if (draft.faults.some((f) => f.name === n)) fail(n, "");
    if (draft.faults.some((f) => f.name === "")) fail("", "");
    listFaults();
  }

  // reveal opens whatever a field is in, and goes there.
  function reveal(name, move = true) {
    const [kind, key, find] = name.split(".");
    let at = [...(live.get(name) || [])].find((f) => f.root && f.root.isConnected);
    const it = ["find", "note", "item"].includes(kind) && itemOf(key);
    if (it && !(at && at.root.closest(".done"))) {
      it.system.root.open = true;
      buildSystem(it.system);
      it.root.hidden = false;
      it.root.open = true;
      buildItem(it);
      if (kind === "find") showAt(it, key);
      if (find && it.more.some((f) => f.id === find)) it.shownAt.root.querySelector(".common").open = true;
      at = [...(live.get(name) || [])].at(-1);
    }
    if (at && move) at.focus();
  }

  const titleOf = (name) => {
    const [kind, id, find] = name.split(".");
    const it = ["find", "note", "item"].includes(kind) && itemOf(id);
    if (it) {
      const f = it.all.find((x) => x.id === find);
      return upper(named(it, id)) + (f ? ", " + f.is : kind === "note" ? ", " + say("note") : "");
    }
    if (kind === "fact") return upper(cat.facts.find((f) => "fact." + factKey(f) === name).is);
    return kind === "head" && id in words ? say(id) : "";
  };

  function listFaults() {
    const box = part("faults");
    box.hidden = draft.faults.length === 0 || !["kept", "refused"].includes(draft.state) || !draft.asked;
    if (box.hidden) {
      box.replaceChildren();
      return;
    }
    box.replaceChildren(el("h2", { text: count("faults", draft.faults.length) }), el("ul", {}, draft.faults.map((f) => {
      const title = titleOf(f.name);
      const text = (title ? title + ": " : "") + f.detail;
      return el("li", {}, title ? el("a", { href: "#", text, onclick: (e) => { e.preventDefault(); reveal(f.name); } }) : text);
    })));
  }

  function showFaults(faults) {
    for (const old of draft.faults) for (const f of live.get(old.name) || []) f.fail("");
    draft.faults = [];
    for (const { name, detail } of faults) {
      const same = draft.faults.find((f) => f.name === name && name !== "");
      if (same) same.detail += "; " + detail;
      else draft.faults.push({ name, detail });
    }
    draft.asked = true; // for a summary: until then faults are said at their fields alone
    for (const f of draft.faults) {
      for (const l of live.get(f.name) || []) l.fail(f.detail);
      reveal(f.name, false);
    }
    listFaults();
    if (!part("faults").hidden) part("faults").focus();
  }

  // --- Sending -------------------------------------------------------------------------------------

  const patience = 30000; // a line that is dead may not say so
  let sending = false, once = false, retry = 0, wait = 5;

  function ask() {
    const { body, observed, faults } = compose();
    if (!begun) mark();
    if (faults.length > 0) {
      draft.state = "kept";
      showFaults(faults);
      keep(draft);
      showState();
      return;
    }
    Object.assign(draft, { body, observed, state: "waiting", faults: [] });
    listFaults();
    keep(draft);
    showState();
    sendAll();
  }

  // sendAll sends what waits, one after the other; what does not get through is tried again.
  async function sendAll() {
    if (sending) {
      once = true; // whatever it was that asked: what waits by then is sent after this
      return;
    }
    sending = true;
    once = false;
    clearTimeout(retry);
    const go = async () => {
      let again = false;
      for (const d of store.drafts().concat(keeps ? [] : [draft])) {
        if (["waiting", "sent"].includes(d.state) && d.keeper === keeper) again = (await send(d)) || again;
      }
      return again;
    };
    try {
      // Where several pages are open, one sends.
      const again = await (navigator.locks ? navigator.locks.request("laidup.send", go) : go());
      wait = again ? Math.min(wait * 2, 60) : 5;
      if (again) retry = setTimeout(sendAll, once ? 0 : wait * 1000);
    } finally {
      sending = false;
    }
  }

  function settle(d, changes, ...message) {
    // Somebody may have changed the draft, or thrown it away, on another page.
    const now = keeps ? store.get(prefix + d.id) : d;
    if (!now || now.body !== d.body || !["waiting", "sent"].includes(now.state)) return;
    Object.assign(now, changes);
    if (keeps) store.set(prefix + now.id, now);
    if (now.id === draft.id) {
      Object.assign(draft, changes);
      showState(...message);
    }
    listKept();
  }

  // whoAmI says for whom the browser is signed in, or "" where nobody is.
  async function whoAmI() {
    const answer = await fetch("/inspect", { headers: { Accept: "text/html" }, cache: "no-store", signal: AbortSignal.timeout(patience) });
    if (answer.redirected) return "";
    if (!answer.ok) throw new Error(String(answer.status));
    const page = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("[data-inspect]");
    return page ? page.dataset.inspect : "";
  }

  const later = (status) => status === 401 || status === 408 || status === 429 || status >= 500;
  const photoPatience = 90000;

  // sendPhotos sends the photos of a report that have not been sent yet, and returns the body of the report with their
  // ids; or the faults, or that it has to be tried again.
  async function sendPhotos(d) {
    const report = JSON.parse(d.body);
    const known = new Map(photosOf(d).map((p) => [p.key, p]));
    const faults = [];
    const showing = [report, ...report.observations].filter((one) => one.photos);
    for (const o of showing) {
      for (const p of o.photos.map((key) => known.get(key)).filter((one) => !one.id)) {
        const wrong = (detail) => faults.push({ name: o === report ? "head.photos" : "item." + o.item, detail });
        const taken = await album.get(p.key).catch(() => undefined);
        if (!taken) {
          wrong(say("photo_gone", p.name));
          continue;
        }
        const answer = await fetch("/v1/attachments", { method: "POST", headers: { "Content-Type": taken.photo.type }, body: taken.photo, signal: AbortSignal.timeout(photoPatience) });
        const body = await answer.json().catch(() => ({}));
        if (later(answer.status)) return { again: true };
        if (answer.ok) {
          p.id = body.id;
          settle(d, { photos: d.photos });
        } else {
          wrong(`${p.name}: ${body.detail || body.title || answer.status}`);
        }
      }
      o.photos = [...new Set(o.photos.map((key) => known.get(key).id))];
    }
    return { faults, body: showing.length ? JSON.stringify(report) : d.body };
  }

  function refuse(d, faults, changes) {
    settle(d, { state: "refused", tried: false, faults, asked: true, ...changes });
    if (d.id === draft.id) showFaults(faults);
    return false;
  }

  // send sends one report, and says whether it has to be tried again.
  async function send(d) {
    if (!navigator.onLine) {
      settle(d, { state: "waiting" }, say("said_waiting"));
      return true;
    }
    let answer;
    try {
      const who = await whoAmI();
      if (who !== d.keeper) {
        const there = el("a", { href: "/sign-in?next=" + encodeURIComponent(location.pathname + location.search), text: say("sign_in") });
        settle(d, { state: "waiting" }, who ? say("other_keeper", d.keeper) : say("said_sign_in"), there);
        return true;
      }
      const { again, faults, body } = await sendPhotos(d);
      if (again) {
        settle(d, { state: "waiting" }, say("said_busy"));
        return true;
      }
      if (faults.length > 0) return refuse(d, faults);
      settle(d, { state: "sent", tried: true });
      answer = await fetch("/v1/reports" + (d.gate ? "?gate=" + encodeURIComponent(d.gate) : ""), {
        method: "POST", headers: { "Content-Type": "application/json", "Idempotency-Key": d.id }, body, signal: AbortSignal.timeout(patience),
      });
    } catch {
      settle(d, { state: "waiting" }, say("said_waiting"));
      return true;
    }
    const body = await answer.json().catch(() => ({}));
    if (answer.ok) {
      settle(d, { state: "accepted", tried: false, answer: { id: body.id, vehicle: body.vehicle, cautions: body.cautions || [] } });
      forget(d);
      prune();
      return false;
    }
    if (later(answer.status)) {
      settle(d, { state: "waiting" }, say("said_busy"));
      return true;
    }
    const faults = Array.isArray(body.errors) && body.errors.length
      ? body.errors.map((e) => ({ name: place(e.pointer, d.observed || []), detail: e.detail }))
      : [{ name: "", detail: [body.title, body.detail].filter(Boolean).join(": ") || String(answer.status) }];
    // A photo that waited for too long is not there any more: it is sent again.
    if ((body.errors || []).some((e) => /^(\/observations\/\d+)?\/photos\//.test(e.pointer))) photosOf(d).forEach((p) => { delete p.id; });
    return refuse(d, faults, { photos: d.photos, reused: String(body.type).endsWith("/idempotency-key-reused") });
  }

  const mostAccepted = 10;
  function prune() {
    for (const d of store.drafts().filter((d) => d.state === "accepted").slice(mostAccepted)) store.drop(prefix + d.id);
    listKept();
  }

  // --- How things stand ----------------------------------------------------------------------------

  const leftOut = part("left"), buttons = part("buttons");
  const button = (key, onclick, plainly) => el("button", { type: "button", class: plainly ? "plain" : undefined, text: say(key), onclick });

  let shownState;
  function showState(...message) {
    const state = begun ? draft.state : "";
    const facts = told();
    const out = [...items.values()].filter((it) => !fitted(it, facts)).reduce((n, it) => n + foundOn(it).length, 0);
    leftOut.textContent = out ? count("left_out", out) : "";
    const locked = ["waiting", "sent", "accepted"].includes(state);
    part("all").disabled = locked;
    part("all").hidden = state === "accepted";
    if (message.length) announce(...message);
    const look = [state, draft.id, draft.tried, draft.reused].join();
    if (look === shownState) return;
    shownState = look;
    if (state === "waiting" || state === "sent") {
      if (!message.length) announce(say("said_" + state));
      buttons.replaceChildren(...(draft.tried ? [] : [button("change", () => { draft.state = "kept"; keep(draft); showState(); })]));
      if (draft.tried) leftOut.textContent = say("no_change");
    } else if (state === "accepted") {
      announce(say("said_accepted"));
      buttons.replaceChildren(button("another", () => begin(newDraft())));
      showAnswer();
    } else {
      if (state === "refused") announce(say("said_refused"));
      else if (!state) announce(say("nothing_yet"));
      else if (keeps) announce(upper(say("state_kept")) + ".");
      buttons.replaceChildren(button("send", ask));
      if (draft.reused) {
        buttons.append(button("new_key", () => {
          store.drop(prefix + draft.id);
          Object.assign(draft, { id: newID(), reused: false });
          ask();
        }, true));
      }
    }
    if (state !== "accepted") part("answer").replaceChildren();
  }

  // showAnswer leads to the vehicle's page, and says what becomes of the assessment.
  async function showAnswer() {
    const { id, answer } = draft;
    const job = el("p", { text: say("job_queued"), "data-job": "queued" });
    const heading = el("h2", { tabindex: -1, text: say("said_accepted") });
    part("answer").replaceChildren(el("section", { class: "answered" }, heading, job,
      answer.cautions.length > 0 && el("div", {}, el("p", { text: say("cautions") }), el("ul", {}, answer.cautions.map((c) => el("li", { text: c.detail })))),
      el("p", {}, el("a", { class: "button", href: "/vehicles/" + answer.vehicle + (draft.gate ? "?gate=" + draft.gate : ""), text: say("vehicle_page") }))));
    heading.focus();
    for (let pause = 500; draft.id === id; pause = Math.min(pause * 1.5, 10000)) {
      try {
        const res = await fetch("/v1/assessments/" + answer.id);
        if (!res.ok && res.status < 500 && res.status !== 429) return;
        const a = res.ok ? await res.json() : { state: "queued" };
        job.dataset.job = a.state;
        if (a.state === "done") {
          const { gate, state, blockers } = a.verdict;
          job.textContent = count("verdict", blockers, upper(spaced(gate)), say(state));
          announce(job.textContent);
          return;
        }
        job.textContent = say("job_" + a.state);
        if (a.state === "failed") return;
      } catch { /* no signal: the report is safe, and asked about again later */ }
      await new Promise((done) => setTimeout(done, pause));
    }
  }

  function nameOf(d) {
    return (d.kind === "follow_up" ? d.vehicle : (d.head.reference || "").trim()) || say("unnamed");
  }

  const kept = part("kept");
  let keptShown = "";
  function listKept() {
    const all = store.drafts().filter((d) => d.keeper === keeper && d.id !== (draft && draft.id));
    const look = JSON.stringify(all.map((d) => [d.id, d.state, nameOf(d), d.changed]));
    if (look === keptShown) return;
    keptShown = look;
    kept.hidden = all.length === 0;
    const heading = fresh();
    kept.setAttribute("aria-labelledby", heading);
    kept.replaceChildren(el("h2", { id: heading, text: say("kept_reports") }), el("ul", { class: "kept" }, all.map((d) => {
      let sure = false;
      const drop = button("throw_away", () => {
        if (!sure) {
          sure = true;
          drop.textContent = say("throw_away_sure");
          return;
        }
        store.drop(prefix + d.id);
        forget(d);
        announce(say("thrown_away"));
        listKept();
      }, true);
      const open = d.state === "accepted"
        ? el("a", { class: "button", href: "/vehicles/" + d.answer.vehicle, text: say("vehicle_page") })
        : el("a", { class: "button", href: addressOf(d), text: say("open"), onclick: (e) => { if (here(d)) { e.preventDefault(); begin(d, true); } } });
      return el("li", {}, el("div", {}, el("b", { text: nameOf(d) }), ` · ${say("kind_" + d.kind)} · ${say("state_" + d.state)} `, el("span", { class: "small", text: say("changed", when(d.changed)) })), el("div", { class: "send-buttons" }, open, drop));
    })));
  }
  const addressOf = (d) => (d.kind === "follow_up" ? `/vehicles/${encodeURIComponent(d.vehicle)}/inspect${d.gate ? "?gate=" + encodeURIComponent(d.gate) : ""}` : "/inspect") + "#" + d.id;
  const here = (d) => (d.kind === "follow_up") === followUp && d.vehicle === root.dataset.vehicle;

  function buildFiles() {
    const save = button("save", () => {
      const link = el("a", { href: URL.createObjectURL(new Blob([JSON.stringify(draft, null, 1)], { type: "application/json" })), download: `laidup-${nameOf(draft).replace(/[^\w.~-]/g, "-")}.json` });
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 1000);
    }, true);
    const input = el("input", { type: "file", accept: "application/json,.json", class: "hidden", tabindex: -1, "aria-hidden": "true", onchange: async () => {
      let d;
      try { d = JSON.parse(await input.files[0].text()); } catch { d = null; }
      input.value = "";
      if (!isDraft(d)) {
        announce(say("load_bad"));
        return;
      }
      // What is here already is not written over, and what came from elsewhere is no more than a draft.
      if (store.get(prefix + d.id)) d.id = newID();
      Object.assign(d, { keeper, state: "kept", tried: false, faults: Array.isArray(d.faults) ? d.faults : [] });
      keep(d);
      if (here(d)) {
        begin(d, true);
        announce(say("loaded"));
      } else {
        location.href = addressOf(d);
      }
    } });
    root.append(el("section", { class: "files" }, el("h2", { text: say("files") }), el("div", { class: "send-buttons" }, save, button("load", () => input.click(), true), input)));
  }

  // --- Beginning -----------------------------------------------------------------------------------

  // begin shows a draft in the form.
  function begin(d, known = false) {
    draft = Object.assign(newDraft(), d);
    begun = known;
    shownState = undefined;
    part("head").replaceChildren();
    part("facts").replaceChildren();
    part("systems").replaceChildren();
    live.clear();
    cards.length = 0;
    for (const s of cat.systems) {
      s.built = false;
      for (const it of s.items) it.built = it.root = it.tally = it.keys = it.mark = it.at = it.shownAt = undefined;
    }
    root.querySelectorAll(".done").forEach((e) => e.remove());
    buildHead();
    buildFacts();
    buildSystems();
    root.querySelectorAll("[data-clear]").forEach(buildCard);
    history.replaceState(null, "", location.pathname + location.search + (known ? "#" + draft.id : ""));
    part("all").hidden = false;
    listFaults();
    for (const f of draft.faults) reveal(f.name, false);
    showState();
    listKept();
  }

  const wanted = location.hash.slice(1);
  const mine = store.drafts().filter((d) => d.keeper === keeper && here(d));
  const last = mine.find((d) => d.id === wanted) || mine.find((d) => d.state !== "accepted");
  draft = last || newDraft();
  buildFiles();
  if (last) begin(last, true);
  else begin(draft);
  if (!store.set("laidup.liked", liked)) {
    keeps = false;
    announce(say("not_kept"));
  }
  if (navigator.storage && navigator.storage.persist) navigator.storage.persist().catch(() => {});

  addEventListener("online", () => { wait = 5; sendAll(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { wait = 5; sendAll(); } });
  addEventListener("storage", (e) => {
    if (!e.key || !e.key.startsWith(prefix)) return;
    if (e.key === prefix + draft.id && e.newValue) {
      const other = JSON.parse(e.newValue);
      if (other.state !== draft.state && ["waiting", "sent", "accepted", "refused"].includes(other.state)) begin(other, true);
    }
    listKept();
  });
  addEventListener("hashchange", () => {
    const d = store.get(prefix + location.hash.slice(1));
    if (d && d.id !== draft.id && d.keeper === keeper && here(d)) begin(d, true);
  });
  sendAll();
  tidyAlbum();

  const way = el("p", { class: "small" });
  root.append(way);
  if ("serviceWorker" in navigator && isSecureContext) {
    try {
      await navigator.serviceWorker.register("/offline.js", { scope: "/", updateViaCache: "none" });
      const ready = await navigator.serviceWorker.ready;
      ready.active.postMessage({ keep: location.pathname + location.search });
      way.textContent = say("works_offline");
    } catch {
      way.textContent = say("no_offline");
    }
  } else {
    way.textContent = say("no_offline");
  }
})();
