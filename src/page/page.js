"use strict";
// What the page does more comfortably with a script: dropping files, showing how far they are, and refreshing the
// register and the check of the rig. Every action is also a plain form.
(() => {
  const base = document.body.dataset.base;
  const lost = document.querySelector(".lost");

  // Register: asked for again while anything is pending.
  const register = document.getElementById("register");
  let state = register?.dataset.state;
  let asking = false;
  async function refresh() {
    if (!register || asking) return;
    asking = true;
    let pending = 0;
    try {
      const answer = await fetch(`${base}/register?state=${encodeURIComponent(state)}`);
      lost.hidden = true;
      pending = Number(register.dataset.pending);
      if (answer.status === 200) {
        const markup = await answer.text();
        const chosen = new Set([...register.querySelectorAll("input[name=log]:checked")].map((box) => box.value));
        const focus = document.activeElement?.id;
        register.innerHTML = markup;
        for (const box of register.querySelectorAll("input[name=log]")) box.checked = chosen.has(box.value);
        if (focus) document.getElementById(focus)?.focus();
        state = answer.headers.get("x-state");
        pending = Number(answer.headers.get("x-pending"));
        register.dataset.pending = String(pending);
      }
    } catch {
      lost.hidden = false;
      pending = 1;
    }
    asking = false;
    if (pending > 0) setTimeout(refresh, lost.hidden ? 300 : 3000);
  }
  if (register && Number(register.dataset.pending) > 0) setTimeout(refresh, 300);

  // Upload: one file after the other, rig files first, so that they hold for the logs.
  const form = document.querySelector(".drop");
  const list = document.querySelector(".sending");
  if (form) {
    const input = form.querySelector("input[type=file]");
    const limit = Number(form.dataset.limit);
    const megabytes = (bytes) => (bytes < 1e9 ? `${(bytes / 1e6).toFixed(1)} MB` : `${(bytes / 1e9).toFixed(2)} GB`);

    function send(file) {
      return new Promise((resolve) => {
        const line = document.createElement("li");
        const words = document.createElement("span");
        const bar = document.createElement("progress");
        bar.setAttribute("aria-label", `Sending ${file.name}`);
        line.append(words, bar);
        list.append(line);
        const end = (problem) => {
          if (problem) {
            const alert = document.createElement("div");
            alert.className = "refusal";
            alert.setAttribute("role", "alert");
            const text = document.createElement("pre");
            text.textContent = problem;
            alert.append(text);
            line.replaceChildren(alert);
          } else line.remove();
          resolve(!problem);
        };
        if (file.size > limit) {
          end(
            `${file.name} (${megabytes(file.size)}) is larger than ${megabytes(limit)}, the most that this page takes\n` +
              `  help: \`sondeproof audit ${file.name}\` reads it from the terminal, or start the page with a higher ` +
              "`--upload-limit`",
          );
          return;
        }
        words.textContent = `Sending ${file.name}`;
        const body = new FormData();
        body.append("files", file, file.name);
        const request = new XMLHttpRequest();
        request.open("POST", `${base}/logs`);
        request.setRequestHeader("Accept", "text/plain");
        request.upload.addEventListener("progress", (event) => {
          bar.max = event.total;
          bar.value = event.loaded;
          words.textContent = `Sending ${file.name}, ${megabytes(event.loaded)} of ${megabytes(event.total)}`;
        });
        request.addEventListener("load", () => {
          const rig = /\.toml$/i.test(file.name);
          // A log that was refused stands in the register with its reason; a rig that was taken changes the line above it.
          if (request.status === 200 || (request.status === 413 && !rig)) end("");
          else end(request.responseText || "It was not taken.");
        });
        request.addEventListener("error", () => end(`${file.name} was not received: the program no longer answers`));
        request.send(body);
      });
    }

    async function take(files) {
      list.replaceChildren();
      const rig = (file) => /\.toml$/i.test(file.name);
      const order = [...files].sort((a, b) => rig(b) - rig(a));
      let rigs = false;
      for (const file of order) {
        const taken = await send(file);
        rigs ||= taken && rig(file);
        register.dataset.pending = "1";
        refresh();
      }
      form.reset();
      if (rigs) location.reload();
    }

    form.addEventListener("submit", (event) => {
      event.preventDefault();
      take(input.files);
    });
    input.addEventListener("change", () => input.files.length && take(input.files));
    for (const kind of ["dragenter", "dragover"]) {
      document.addEventListener(kind, (event) => {
        event.preventDefault();
        form.classList.add("over");
      });
    }
    document.addEventListener("dragleave", (event) => event.relatedTarget ?? form.classList.remove("over"));
    document.addEventListener("drop", (event) => {
      event.preventDefault();
      form.classList.remove("over");
      if (event.dataTransfer.files.length) take(event.dataTransfer.files);
    });
  }

  // Rig: checked when the writing pauses.
  const text = document.getElementById("rig-text");
  if (text) {
    const sheet = text.form;
    const check = document.getElementById("rig-check");
    let pause = null;
    let round = 0;
    const look = async () => {
      const mine = ++round;
      try {
        const answer = await fetch(`${base}/rig/check`, { method: "POST", body: new FormData(sheet) });
        const markup = await answer.text();
        lost.hidden = true;
        if (mine === round && answer.ok) {
          check.innerHTML = markup;
          text.setAttribute("aria-invalid", String(check.querySelector("#rig-refused") !== null));
        } else if (mine === round && answer.status === 413) {
          check.textContent = "This is longer than a rig file may be.";
          text.setAttribute("aria-invalid", "true");
        }
      } catch {
        lost.hidden = false;
      }
    };
    text.addEventListener("input", () => {
      clearTimeout(pause);
      pause = setTimeout(look, 350);
    });
  }
})();
