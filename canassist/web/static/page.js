"use strict";
// Plain HTML does the work; this adds dropping files and progress while they are sent.
(function () {
  document.documentElement.classList.add("js");
  const drop = document.getElementById("drop");
  const parallel = 2;
  const waiting = [];
  let running = 0;

  function fill(text, values) {
    return text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));
  }

  function endsIn(name, endings) {
    return endings.split(" ").some((ending) => name.toLowerCase().endsWith(ending));
  }

  function isKnowledge(file) {
    return endsIn(file.name, drop.dataset.known);
  }

  function isOfUse(file) {
    return !file.name.startsWith(".") && (isKnowledge(file) || endsIn(file.name, drop.dataset.logs));
  }

  function megabytes(count) {
    return (count / 1e6).toFixed(count < 1e7 ? 1 : 0);
  }

  // Moving figures would be read out without end; the outcome is read out once.
  function tell(text) {
    document.getElementById("told").textContent = text;
  }

  function addLine(text, trouble) {
    const line = document.createElement("li");
    line.textContent = text;
    line.classList.toggle("trouble", trouble);
    document.getElementById("sending").append(line);
    tell(text);
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
      tell(text);
      this.text.classList.toggle("trouble", trouble);
      this.bar.remove();
      this.button.remove();
      this.resolve(answer);
      next();
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

  // What arrived while something is still on its way or went wrong shows in its row; the page
  // is loaded anew only when that loses nothing.
  const arrived = [];

  function settle() {
    if (running || waiting.length || !arrived.length) return;
    if (document.querySelector("#sending .trouble")) {
      arrived.length = 0;
      document.dispatchEvent(new CustomEvent("arrived"));
      return;
    }
    const said = arrived.some((one) => one.isNew) ? "uploaded" : "known";
    const job = arrived.find((one) => one.job);
    document.dispatchEvent(new CustomEvent("sent"));
    location.assign((job ? "/jobs/" + job.job : "/") + "?said=" + said + "#ride-" + arrived[0].ride);
  }

  function note(answer) {
    if (!answer) return;
    for (const ride of answer.rides) arrived.push({ ride, job: answer.job, isNew: true });
    for (const ride of answer.known) arrived.push({ ride, job: answer.job, isNew: false });
    if (answer.left_out.length) {
      addLine(fill(drop.dataset.zip, { names: named(answer.left_out) }), false);
    }
  }

  function named(names) {
    return names.slice(0, 5).join(", ") + (names.length > 5 ? " +" + (names.length - 5) : "");
  }

  // A folder's own database and profile hold for the logs in it and below it.
  async function sendWith(known, logs) {
    let vehicle = "";
    if (known.length) {
      const answer = await enqueue(new Sending(known, ""));
      if (!answer) return;
      vehicle = answer.vehicle;
      if (!logs.length) {
        if (!running && !waiting.length && !arrived.length) location.assign("/vehicles/" + vehicle + "?said=vehicle");
        return;
      }
    }
    const together = drop.elements.together.checked;
    const groups = together ? [logs] : logs.map((file) => [file]);
    await Promise.all(groups.map((group) => enqueue(new Sending(group, vehicle)).then(note)));
  }

  function folderOf(file) {
    return file.folder !== undefined ? file.folder : (file.webkitRelativePath || "").replace(/\/?[^/]*$/, "");
  }

  function byFolder(files) {
    const homes = new Map();
    for (const file of files.filter(isKnowledge)) {
      const folder = folderOf(file);
      homes.set(folder, [...(homes.get(folder) || []), file]);
    }
    const groups = new Map([...homes].map(([folder, known]) => [folder, { known, logs: [] }]));
    const only = homes.size === 1 ? [...homes.keys()][0] : null;
    for (const file of files.filter((one) => !isKnowledge(one))) {
      let folder = folderOf(file);
      while (folder && !homes.has(folder)) folder = folder.replace(/\/?[^/]*$/, "");
      if (!homes.has(folder) && only !== null) folder = only;
      if (!groups.has(folder)) groups.set(folder, { known: [], logs: [] });
      groups.get(folder).logs.push(file);
    }
    return [...groups.values()];
  }

  async function send(files) {
    if (!files.length) return;
    await Promise.all(byFolder(files).map((group) => sendWith(group.known, group.logs)));
    settle();
  }

  // A folder holds more than logs; what is no log by its name is left out, and named.
  function sendFolder(files) {
    const fit = files.filter(isOfUse);
    const left = files.filter((file) => !isOfUse(file)).map((file) => file.name);
    if (left.length) {
      const text = fit.length ? drop.dataset.without : drop.dataset.none;
      addLine(fill(text, { count: left.length, names: named(left) }), !fit.length);
    }
    return send(fit);
  }

  async function filesOf(entry) {
    if (entry.isFile) {
      const file = await new Promise((good, bad) => entry.file(good, bad));
      file.folder = entry.fullPath.slice(1).replace(/\/?[^/]*$/, "");
      return [file];
    }
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
    return entries.some((entry) => entry.isDirectory) ? sendFolder(found) : send(found);
  }

  if (drop) {
    for (const kind of ["dragenter", "dragover"]) {
      document.addEventListener(kind, (event) => { event.preventDefault(); drop.classList.add("over"); });
    }
    document.addEventListener("dragleave", (event) => { if (!event.relatedTarget) drop.classList.remove("over"); });
    document.addEventListener("drop", (event) => {
      event.preventDefault();
      drop.classList.remove("over");
      dropped(event.dataTransfer).catch((error) => {
        addLine(fill(drop.dataset.unreadable, { why: error.message }), true);
      });
    });
    for (const [name, take] of [["files", send], ["folder", sendFolder]]) {
      const input = document.getElementById(name);
      input.addEventListener("change", () => { const chosen = Array.from(input.files); input.value = ""; take(chosen); });
    }
    window.addEventListener("beforeunload", (event) => { if (running) event.preventDefault(); });
    drop.addEventListener("submit", (event) => event.preventDefault());
    // Another complaint or work order is another job's.
    const serves = document.getElementById("for-job");
    for (const name of serves ? ["work_order", "complaint"] : []) {
      drop.elements[name].addEventListener("input", () => { serves.value = ""; });
    }
  }
})();
