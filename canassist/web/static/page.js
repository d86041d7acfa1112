"use strict";
// Plain HTML does the work; this adds dropping, progress while sending, and rows that follow the work.
(function () {
  document.documentElement.classList.add("js");
  const drop = document.getElementById("drop");
  const list = document.getElementById("rides");
  const databases = /\.(dbc|kcd|sym|arxml|toml)$/i;
  const parallel = 2;
  const waiting = [];
  let running = 0;

  function fill(text, values) {
    return text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));
  }

  function megabytes(count) {
    return (count / 1e6).toFixed(count < 1e7 ? 1 : 0);
  }

  // --- sending ---

  class Sending {
    constructor(files, vehicle) {
      this.files = files;
      this.vehicle = vehicle;
      this.name = files.length === 1 ? files[0].name : files[0].name + " + " + (files.length - 1);
      this.line = document.createElement("li");
      this.text = document.createElement("span");
      this.bar = document.createElement("progress");
      this.bar.max = 1;
      this.bar.value = 0;
      this.bar.setAttribute("aria-label", this.name);
      this.button = document.createElement("button");
      this.button.type = "button";
      this.button.textContent = drop.dataset.cancel;
      this.button.setAttribute("aria-label", fill(drop.dataset.stop, { name: this.name }));
      this.button.addEventListener("click", () => this.cancel());
      this.line.append(this.text, this.bar, this.button);
      this.text.textContent = this.name;
      document.getElementById("sending").append(this.line);
      this.ended = new Promise((resolve) => { this.resolve = resolve; });
    }

    start() {
      const form = new FormData(drop);
      form.delete("files");
      if (this.vehicle) form.set("vehicle", this.vehicle);
      for (const file of this.files) form.append("files", file, file.name);
      this.begun = performance.now();
      this.request = new XMLHttpRequest();
      this.request.open("POST", "/upload");
      this.request.setRequestHeader("Accept", "application/json");
      this.request.setRequestHeader("X-Form-Token", form.get("form_token"));
      this.request.upload.addEventListener("progress", (event) => this.moved(event));
      this.request.addEventListener("load", () => this.loaded());
      this.request.addEventListener("error", () => this.end(fill(drop.dataset.lost, { name: this.name }), true));
      this.request.addEventListener("abort", () => this.end(fill(drop.dataset.off, { name: this.name }), false));
      this.request.send(form);
    }

    moved(event) {
      if (!event.lengthComputable) return;
      const spent = (performance.now() - this.begun) / 1000;
      const values = { name: this.name, done: megabytes(event.loaded), total: megabytes(event.total) };
      let text = fill(drop.dataset.sending, values);
      if (spent > 1 && event.loaded < event.total) {
        const left = Math.max(1, Math.round(spent * (event.total / event.loaded - 1)));
        text += left > 100
          ? fill(drop.dataset.minutes, { minutes: Math.round(left / 60) })
          : fill(drop.dataset.left, { seconds: left });
      }
      this.bar.value = event.total ? event.loaded / event.total : 1;
      this.text.textContent = text;
    }

    loaded() {
      let answer = {};
      try { answer = JSON.parse(this.request.responseText); } catch (error) { answer = {}; }
      if (this.request.status !== 200) {
        const told = answer.problem ? answer.problem + " " + answer.fix : this.request.statusText;
        this.end(this.name + ": " + told, true);
        return;
      }
      this.end(fill(drop.dataset.kept, { name: this.name }), false, answer);
    }

    cancel() {
      const place = waiting.indexOf(this);
      if (place >= 0) {
        waiting.splice(place, 1);
        this.end(fill(drop.dataset.off, { name: this.name }), false);
      } else if (this.request) {
        this.request.abort();
      }
    }

    end(text, trouble, answer) {
      if (this.request) { running -= 1; this.request = null; }
      this.text.textContent = text;
      this.text.classList.toggle("trouble", trouble);
      this.bar.remove();
      this.button.remove();
      this.resolve(answer);
      next();
      if (!running && !waiting.length) settle();
    }
  }

  function next() {
    while (running < parallel && waiting.length) {
      running += 1;
      waiting.shift().start();
    }
  }

  function enqueue(sending) {
    waiting.push(sending);
    next();
    return sending.ended;
  }

  let arrivals = 0;

  function settle() {
    if (arrivals) location.assign("/");
  }

  async function send(files) {
    if (!files.length) return;
    const known = files.filter((file) => databases.test(file.name));
    const logs = files.filter((file) => !databases.test(file.name));
    let vehicle = "";
    if (known.length && logs.length) {
      const answer = await enqueue(new Sending(known, ""));
      if (!answer) return;
      vehicle = answer.vehicle;
    } else if (known.length) {
      const answer = await enqueue(new Sending(known, ""));
      if (answer) location.assign("/?said=vehicle");
      return;
    }
    const together = drop.elements.together.checked;
    const groups = together ? [logs] : logs.map((file) => [file]);
    const said = new Set();
    const all = groups.map((group) => enqueue(new Sending(group, vehicle)).then((answer) => {
      if (answer) {
        arrivals += 1;
        said.add(answer.rides.length ? "uploaded" : "known");
        return (answer.rides[0] || answer.known[0]);
      }
      return null;
    }));
    const rides = (await Promise.all(all)).filter(Boolean);
    const troubled = document.querySelector("#sending .trouble");
    if (rides.length && !troubled) {
      location.assign("/?said=" + (said.has("uploaded") ? "uploaded" : "known") + "#ride-" + rides[0]);
    } else if (rides.length) {
      arrivals = 0;
      rides.forEach(refresh);
    }
  }

  async function filesOf(entry) {
    if (entry.isFile) return [await new Promise((good, bad) => entry.file(good, bad))];
    const reader = entry.createReader();
    const found = [];
    for (;;) {
      const some = await new Promise((good, bad) => reader.readEntries(good, bad));
      if (!some.length) return found;
      for (const one of some) found.push(...(await filesOf(one)));
    }
  }

  async function dropped(transfer) {
    const entries = Array.from(transfer.items || [])
      .map((item) => (item.webkitGetAsEntry ? item.webkitGetAsEntry() : null))
      .filter(Boolean);
    if (!entries.length) return send(Array.from(transfer.files));
    const found = [];
    for (const entry of entries) found.push(...(await filesOf(entry)));
    return send(found);
  }

  if (drop) {
    for (const kind of ["dragenter", "dragover"]) {
      document.addEventListener(kind, (event) => { event.preventDefault(); drop.classList.add("over"); });
    }
    document.addEventListener("dragleave", (event) => { if (!event.relatedTarget) drop.classList.remove("over"); });
    document.addEventListener("drop", (event) => {
      event.preventDefault();
      drop.classList.remove("over");
      dropped(event.dataTransfer);
    });
    for (const name of ["files", "folder"]) {
      const input = document.getElementById(name);
      input.addEventListener("change", () => { const chosen = Array.from(input.files); input.value = ""; send(chosen); });
    }
    drop.addEventListener("submit", (event) => event.preventDefault());
  }

  // --- following the work ---

  function busyRide(name) {
    const found = document.querySelector('[data-ride="' + CSS.escape(name) + '"]');
    return found;
  }

  // A reload would break off a form that is on its way and lose what its answer says.
  let leaving = false;
  document.addEventListener("submit", (event) => { if (!event.defaultPrevented) leaving = true; });
  window.addEventListener("pageshow", () => { leaving = false; });

  async function refresh(name) {
    const old = busyRide(name);
    const answer = await fetch("/rows/" + encodeURIComponent(name), { headers: { Accept: "text/html" } });
    if (!answer.ok) { if (old) old.remove(); return; }
    const holder = document.createElement("ul");
    holder.innerHTML = await answer.text();
    const fresh = holder.firstElementChild;
    if (!list) {
      if (old && !leaving && fresh.dataset.state !== old.dataset.state) location.reload();
      return;
    }
    const now = busyRide(name);
    if (!now) { list.prepend(fresh); return; }
    const focused = now.contains(document.activeElement);
    const ticked = now.querySelector("input[type=checkbox]");
    if (ticked) fresh.querySelector("input[type=checkbox]").checked = ticked.checked;
    now.replaceWith(fresh);
    if (focused) (fresh.querySelector(".acts a, .acts button") || fresh.querySelector("a")).focus();
  }

  function follow() {
    if (!document.querySelector("[data-ride]") && !list) return;
    const source = new EventSource("/events");
    source.addEventListener("progress", (event) => {
      const news = JSON.parse(event.data);
      const ride = busyRide(news.ride);
      if (!ride) return;
      const bar = ride.querySelector("progress");
      if (!bar) { refresh(news.ride); return; }
      bar.value = news.share;
      ride.querySelector(".words").textContent = news.words;
    });
    source.addEventListener("changed", (event) => {
      const news = JSON.parse(event.data);
      if (busyRide(news.ride)) refresh(news.ride);
    });
    source.addEventListener("open", () => {
      for (const ride of document.querySelectorAll('[data-state="waiting"],[data-state="working"]')) {
        refresh(ride.dataset.ride);
      }
    });
  }

  follow();
})();
