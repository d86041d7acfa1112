"use strict";
// What is typed stays until it is saved: through a reload, a restart, an answer that came meanwhile.
(function () {
  const forms = [...document.querySelectorAll("form[data-draft]")];

  function key(form) {
    return "draft " + form.dataset.draft;
  }

  function fields(form) {
    return [...form.elements].filter((one) => one.name && !["hidden", "file", "password"].includes(one.type));
  }

  function value(field) {
    return field.type === "checkbox" || field.type === "radio" ? field.checked : field.value;
  }

  function put(field, kept) {
    if (field.type === "checkbox" || field.type === "radio") field.checked = kept;
    else field.value = kept;
  }

  function name(field) {
    return field.type === "radio" ? field.name + "=" + field.value : field.name;
  }

  function read(form) {
    try { return JSON.parse(localStorage.getItem(key(form)) || "null"); } catch (error) { return null; }
  }

  function drop(form) {
    try { localStorage.removeItem(key(form)); } catch (error) { /* nothing was kept */ }
  }

  // A draft ends when the server has taken it: the page that says so names it.
  const taken = document.querySelector("[data-taken]");
  for (const form of forms) {
    if (taken && form.dataset.draft === taken.dataset.taken) drop(form);
    const first = new Map(fields(form).map((one) => [name(one), value(one)]));
    const kept = read(form);
    if (kept) {
      let differs = false;
      for (const field of fields(form)) {
        const old = kept[name(field)];
        if (old !== undefined && old !== value(field)) { put(field, old); differs = true; }
      }
      if (differs) {
        form.dataset.dirty = "1";
        const note = form.querySelector("[data-drafted]");
        if (note) note.hidden = false;
        const folded = form.querySelector("details") || form.closest("details");
        if (folded) folded.open = true;
      } else {
        drop(form);
      }
    }
    form.addEventListener("input", () => {
      const changed = {};
      for (const field of fields(form)) {
        if (value(field) !== first.get(name(field))) changed[name(field)] = value(field);
      }
      if (!Object.keys(changed).length) { delete form.dataset.dirty; drop(form); return; }
      form.dataset.dirty = "1";
      try { localStorage.setItem(key(form), JSON.stringify(changed)); } catch (error) { /* it lives in the page */ }
    });
  }

  document.addEventListener("sent", () => {
    for (const form of forms.filter((one) => one.dataset.draft === "drop")) drop(form);
  });

  // Fields that would be passed over are named where they stand.
  const clock = /^\s*(\d{1,3}:)?\d{1,4}:[0-5]?\d(\.\d{1,3})?(\s*[,; ]\s*(\d{1,3}:)?\d{1,4}:[0-5]?\d(\.\d{1,3})?)*\s*$/;
  for (const field of document.querySelectorAll("[data-check=moments]")) {
    const bad = document.getElementById(field.getAttribute("aria-describedby"));
    const check = () => {
      const isBad = field.value.trim() && !clock.test(field.value);
      bad.textContent = isBad ? field.form.dataset.moments : "";
      field.setAttribute("aria-invalid", isBad ? "true" : "false");
    };
    field.addEventListener("change", check);
    check();
  }
})();
