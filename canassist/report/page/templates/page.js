"use strict";
(() => {
  const ALPHABET = "{{ alphabet }}";
  const DARK = {{ dark }};
  const dark = matchMedia("(prefers-color-scheme: dark)");

  const unpack = async (id) => {
    const text = document.getElementById(id).textContent;
    const value = new Uint8Array(128);
    for (let i = 0; i < 85; i++) value[ALPHABET.charCodeAt(i)] = i;
    const groups = (text.length - 1) / 5, bytes = new Uint8Array(groups * 4);
    const view = new DataView(bytes.buffer);
    for (let g = 0, p = 1; g < groups; g++) {
      let n = 0;
      for (let k = 0; k < 5; k++) n = n * 85 + value[text.charCodeAt(p++)];
      view.setUint32(g * 4, n);
    }
    const whole = bytes.subarray(0, bytes.length - Number(text[0]));
    const stream = new Blob([whole]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Response(stream).text();
  };

  const columns = (table) => {
    const column = (steps, places) => {
      let total = 0;
      const unit = 10 ** places;
      return steps.map((step) => (step === null ? null : (total += step) / unit));
    };
    const made = {};
    for (const [key, item] of Object.entries(table)) {
      made[key] = { x: column(item.x, item.px), y: column(item.y, item.py) };
    }
    return made;
  };

  const recolour = (value) => {
    if (!dark.matches) return value;
    if (typeof value === "string") return DARK[value] ?? value;
    if (Array.isArray(value)) return value.map(recolour);
    if (value && typeof value === "object") {
      return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, recolour(v)]));
    }
    return value;
  };

  const slice = (column, low, high, place) => {
    let first = 0, last = column.x.length;
    while (first < last && place(column.x[first]) < low) first++;
    while (last > first && place(column.x[last - 1]) > high) last--;
    first = Math.max(first - 1, 0);
    last = Math.min(last + 1, column.x.length);
    return { x: column.x.slice(first, last).map(place), y: column.y.slice(first, last) };
  };

  const filled = (figure, data) => {
    const [low, high] = figure.layout.xaxis.range;
    const place = figure.layout.xaxis.type === "date" ? (x) => {{ epoch_ms }} + x * 1000 : (x) => x;
    const traces = figure.data.map((trace) => {
      if (typeof trace.x !== "string") return trace;
      return { ...trace, ...slice(data[trace.x.slice(1)], low, high, place) };
    });
    return recolour({ data: traces, layout: figure.layout });
  };

  const config = { displayModeBar: false, responsive: true, doubleClick: "reset", scrollZoom: false };

  const keys = (box, axis) => (event) => {
    const now = box.layout.xaxis.range.map((x) => (typeof x === "string" ? Date.parse(x + "Z") : x));
    const start = axis.range, width = now[1] - now[0], middle = (now[0] + now[1]) / 2;
    const moves = {
      "+": [middle - width / 4, middle + width / 4], "=": [middle - width / 4, middle + width / 4],
      "-": [middle - width, middle + width], "0": start,
      ArrowLeft: [now[0] - width / 5, now[1] - width / 5],
      ArrowRight: [now[0] + width / 5, now[1] + width / 5],
    };
    let range = moves[event.key];
    if (!range || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    const span = Math.min(range[1] - range[0], start[1] - start[0]);
    const low = Math.min(Math.max(range[0], start[0]), start[1] - span);
    Plotly.relayout(box, { "xaxis.range": [low, low + span] });
  };

  const padded = (value, width) => String(value).padStart(width, "0");

  const readout = (box, clock) => {
    const line = document.createElement("p");
    line.className = "readout";
    line.setAttribute("aria-hidden", "true");
    box.before(line);
    box.on("plotly_unhover", () => { line.textContent = ""; });
    box.on("plotly_hover", ({ points }) => {
      const x = points[0].x, moment = typeof x === "string" ? Date.parse(x.replace(" ", "T") + "Z") : x;
      const seconds = (moment - {{ epoch_ms }}) / 1000;
      let text = seconds.toFixed(2) + " s";
      if (clock) {
        const day = Math.floor(clock.midnight_s + seconds) % 86400;
        const parts = [day / 3600, (day % 3600) / 60, day % 60].map((part) => padded(Math.floor(part), 2));
        text += ", " + parts.join(":") + " " + clock.zone;
      }
      line.textContent = text;
    });
  };

  // Shortens words to their stretch, and leaves out numbers that would lie on another.
  const fitting = (layout, width) => {
    const [low, high] = layout.xaxis.range, numbers = [];
    const word = (note, share) => {
      const most = Math.floor((share * width) / {{ letter_px }}) - 2;
      if (note.text.length <= most) return [note];
      return most < 4 || note.text.includes("&") ? [] : [{ ...note, text: note.text.slice(0, most - 1) + "\u2026" }];
    };
    const number = (note) => {
      const at = ((note.x - low) / (high - low)) * width, letters = note.text.length;
      const near = (other) => Math.abs(other.at - at) <= ((other.letters + letters + 1) / 2) * {{ bold_px }};
      return numbers.some(near) ? [] : (numbers.push({ at, letters }), [note]);
    };
    const fits = (note) => {
      const [kind, share] = (note.name ?? "").split(" ");
      if (kind === "{{ wide_limit }}" && width < {{ narrow_px }}) return [];
      return kind === "{{ number }}" ? number(note) : kind === "{{ room }}" ? word(note, Number(share)) : [note];
    };
    return { ...layout, annotations: layout.annotations.flatMap(fits) };
  };

  // The names of limits have their places on the whole picture: zoomed in, a curve may be there.
  const nameLimits = (box, whole) => {
    const now = box.layout.xaxis.range.map((x) => (typeof x === "string" ? Date.parse(x + "Z") : x));
    const shown = Math.abs(now[1] - now[0] - (whole[1] - whole[0])) < 1e-6 * (whole[1] - whole[0]);
    const changes = {};
    (box.layout.annotations ?? []).forEach((note, i) => {
      const named = note.name === "{{ limit }}" || note.name === "{{ wide_limit }}";
      if (named && (note.visible ?? true) !== shown) changes[`annotations[${i}].visible`] = shown;
    });
    if (Object.keys(changes).length) Plotly.relayout(box, changes);
  };

  const draw = async (box, figure, data) => {
    const made = filled(figure, data);
    box.parentElement.classList.add("drawn");
    const layout = fitting(made.layout, box.clientWidth - {{ gutter_px }});
    await Plotly.react(box, made.data, structuredClone(layout), config);
    box.querySelectorAll("svg").forEach((svg) => svg.setAttribute("aria-hidden", "true"));
    if (box.tabIndex === 0) return;
    box.tabIndex = 0;
    box.setAttribute("role", "group");
    box.setAttribute("aria-label", box.closest("figure").querySelector("figcaption").textContent
      + ". Plus and minus zoom, left and right move, 0 shows all.");
    if (figure.layout.xaxis.type === "date") readout(box, figure.clock);
    box.on("plotly_relayout", () => nameLimits(box, figure.layout.xaxis.range));
    box.addEventListener("keydown", keys(box, figure.layout.xaxis));
  };

  const interactive = async () => {
    const [library, packed] = await Promise.all([unpack("canassist-library"), unpack("canassist-figures")]);
    const script = document.createElement("script");
    script.textContent = library;
    document.head.append(script);
    const { data, figures } = JSON.parse(packed);
    const table = columns(data);
    const boxes = [...document.querySelectorAll(".live")].filter((box) => figures[box.dataset.chart]);
    const shown = new Set();
    const show = (box) => { shown.add(box); return draw(box, figures[box.dataset.chart], table); };
    const watcher = new IntersectionObserver((entries) => {
      for (const entry of entries) {
        if (!entry.isIntersecting) continue;
        watcher.unobserve(entry.target);
        show(entry.target.querySelector(".live"));
      }
    }, { rootMargin: "600px" });
    boxes.forEach((box) => watcher.observe(box.parentElement));
    dark.addEventListener("change", () => shown.forEach(show));
  };

  addEventListener("DOMContentLoaded", () => {
    document.documentElement.classList.add("scripted");
    interactive().catch((error) => console.warn("Pictures stay as they are:", error));
  });
})();
