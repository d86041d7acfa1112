"use strict";
// Rows that follow the work, ticks that survive paging, and a word when the server is away.
(function () {
  const holder = () => document.getElementById("shelf-rows");
  const away = document.getElementById("away");

  // A reload would break off a form that is on its way and lose what its answer says.
  let leaving = false;
  document.addEventListener("submit", (event) => { if (!event.defaultPrevented) leaving = true; });
  window.addEventListener("pageshow", () => { leaving = false; });

  function told(isAway) {
    if (isAway) away.textContent = away.dataset.away;
    else if (!away.hidden) away.textContent = away.dataset.back;
    if (isAway) away.hidden = false;
  }

  // --- one request for all rows; one at a time, so that no older answer comes after a newer ---

  let asking = false;
  let again = false;

  async function refresh() {
    if (asking) { again = true; return; }
    asking = true;
    do {
      again = false;
      try {
        if (holder()) await refreshRows();
        else await refreshOne();
      } catch (error) {
        // the server is away; its news come again with it
      }
    } while (again);
    asking = false;
  }

  async function refreshRows() {
    const answer = await fetch("/rows" + location.search, { headers: { Accept: "text/html" } });
    if (!answer.ok) return;
    const made = document.createElement("div");
    made.innerHTML = await answer.text();
    const fresh = made.firstElementChild;
    const active = document.activeElement;
    const row = active && active.closest("[data-ride]");
    const ticked = new Set(ticks());
    const list = document.getElementById("rides");
    const rows = new Map([...list.children].map((one) => [one.id, one]));
    const wanted = [...fresh.querySelectorAll("[data-ride]")];
    for (const one of wanted) {
      const old = rows.get(one.id);
      const box = one.querySelector("input[type=checkbox]");
      if (box) box.checked = ticked.has(box.value);
      if (old && plain(old) === plain(one)) one.replaceWith(old);
    }
    holder().replaceWith(fresh);
    if (row && !document.activeElement.closest("[data-ride]")) {
      const now = document.getElementById(row.id);
      const same = now && active.isConnected ? active : now && now.querySelector(".acts a, .acts button, h3 a");
      if (same) same.focus({ preventScroll: true });
    }
    shown();
  }

  function plain(row) {
    const copy = row.cloneNode(true);
    for (const bar of copy.querySelectorAll("progress")) bar.remove();
    for (const words of copy.querySelectorAll('[data-state="working"] .words')) words.remove();
    return copy.outerHTML;
  }

  // On a ride's or a job's page nothing that is being typed may be lost: it says so and waits.
  async function refreshOne() {
    const rows = [...document.querySelectorAll("[data-ride]")];
    const changed = await Promise.all(rows.filter(isBusy).map(isChanged));
    if (leaving || !changed.some(Boolean)) return;
    if (document.querySelector("form[data-dirty]")) {
      const note = document.getElementById("newer");
      if (note) note.hidden = false;
      return;
    }
    location.reload();
  }

  function isBusy(row) {
    return ["waiting", "working"].includes(row.dataset.state) || row.classList.contains("one");
  }

  async function isChanged(row) {
    const answer = await fetch("/api/rides/" + encodeURIComponent(row.dataset.ride), { headers: { Accept: "application/json" } });
    if (!answer.ok) return false;
    const now = await answer.json();
    const words = row.querySelector(".words");
    if (now.state === row.dataset.state && words && now.words) words.textContent = now.words;
    return now.state !== row.dataset.state;
  }

  // --- ticks ---

  const KEY = "ticks";

  function ticks() {
    try { return JSON.parse(sessionStorage.getItem(KEY) || "[]"); } catch (error) { return []; }
  }

  function keep(names) {
    try { sessionStorage.setItem(KEY, JSON.stringify(names)); } catch (error) { /* it holds for this page then */ }
  }

  const form = document.getElementById("ticked");

  function shown() {
    if (!form) return;
    const names = ticks();
    const words = form.querySelector(".ticks");
    form.elements.rides.value = names.join(".");
    if (names.length) {
      const text = names.length === 1 ? words.dataset.one : words.dataset.many;
      words.textContent = text.replace("{count}", names.length);
    }
  }

  function boxes() {
    return document.querySelectorAll("#rides input[name=ride]");
  }

  if (form) {
    for (const box of boxes()) box.checked = ticks().includes(box.value);
    document.addEventListener("change", (event) => {
      if (event.target.name !== "ride") return;
      const names = new Set(ticks());
      if (event.target.checked) names.add(event.target.value); else names.delete(event.target.value);
      keep([...names]);
      shown();
    });
    form.elements.all.addEventListener("change", () => {
      for (const box of boxes()) box.checked = form.elements.all.checked;
      keep(form.elements.all.checked ? [...boxes()].map((box) => box.value) : []);
      shown();
    });
    form.addEventListener("submit", (event) => {
      if (event.submitter && event.submitter.id === "export") leaving = false;
      else keep([]);
    });
    shown();
  }

  // --- what is made only when asked for: said while it is made ---

  const making = document.getElementById("making");
  document.addEventListener("click", async (event) => {
    const link = event.target.closest("a[data-making]");
    const copy = event.target.closest("[data-copy]");
    if (copy) {
      const address = location.origin + copy.dataset.copy;
      try {
        await navigator.clipboard.writeText(address);
        making.textContent = copy.dataset.copied;
      } catch (error) {
        making.textContent = address; // a browser may keep its clipboard to itself
      }
    }
    if (!link || !making || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    making.textContent = link.dataset.making;
    await fetch(link.href, { method: "HEAD" }).catch(() => {});
    making.textContent = "";
    location.assign(link.href);
  });

  // --- following ---

  let soon = 0;

  function refreshSoon() {
    if (soon) return;
    soon = setTimeout(() => { soon = 0; refresh(); }, 120);
  }

  // Only the page that is looked at keeps a line open: a browser has but a few for one server.
  let source = null;
  let opened = false;

  function follow() {
    const wanted = (holder() || document.querySelector("[data-ride]")) && !document.hidden;
    if (!wanted && source) { source.close(); source = null; }
    if (!wanted || source) return;
    source = new EventSource("/events");
    source.addEventListener("progress", (event) => {
      const news = JSON.parse(event.data);
      const ride = document.querySelector('[data-ride="' + CSS.escape(news.ride) + '"]');
      if (!ride) return;
      const bar = ride.querySelector("progress");
      if (!bar) { refreshSoon(); return; }
      bar.value = news.share;
      ride.querySelector(".words").textContent = news.words;
    });
    source.addEventListener("changed", refreshSoon);
    source.addEventListener("open", () => { told(false); if (opened) refreshSoon(); opened = true; });
    source.addEventListener("error", () => { if (source && source.readyState !== EventSource.OPEN) told(true); });
  }

  document.addEventListener("arrived", refreshSoon);
  document.addEventListener("visibilitychange", () => { follow(); if (!document.hidden && opened) refreshSoon(); });
  window.addEventListener("pagehide", () => { if (source) { source.close(); source = null; } });
  window.addEventListener("pageshow", follow);
})();
