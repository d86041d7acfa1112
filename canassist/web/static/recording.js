// Renews what changes once a second; marks without leaving the page. All works without it too.
"use strict";

const now = document.getElementById("now");
const noted = document.getElementById("noted");

async function renew() {
  try {
    const answer = await fetch("/now", { headers: { accept: "text/html" } });
    if (!answer.ok) throw new Error(String(answer.status));
    const read = new DOMParser().parseFromString(await answer.text(), "text/html");
    now.replaceChildren(...read.body.childNodes);
  } catch {
    noted.textContent = "The recording does not answer: it has ended, or the connection is lost.";
  }
}

for (const form of document.forms) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const body = new URLSearchParams(new FormData(form));
    body.set("quiet", "1");
    noted.textContent = "...";
    try {
      const answer = await fetch(form.action, { method: "POST", body });
      if (!answer.ok) throw new Error(String(answer.status));
      const heavy = body.get("kind") === "heavy";
      noted.textContent = `${heavy ? "Heavy" : "Note"} at ${await answer.text()}`;
      if (!heavy) form.reset();
    } catch {
      noted.textContent = "Not noted: the recording does not answer. Press the key at the laptop.";
    }
  });
}

setInterval(renew, 1000);
