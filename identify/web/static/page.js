"use strict";
/* What the page does in the browser: places, forms, photos, the camera. No outside address is ever asked. */
(() => {
  const tapwright = (window.tapwright = {});
  const memory = {
    get: (key) => { try { return localStorage.getItem(`tapwright-${key}`); } catch { return null; } },
    set: (key, value) => { try { localStorage.setItem(`tapwright-${key}`, value); } catch { /* not kept then */ } },
  };

  /* places: #part, #survey, #shop */
  const places = ["part", "survey", "shop"];
  function showPlace() {
    const wanted = location.hash.slice(1);
    if (!places.includes(wanted) && location.hash) return;
    const place = wanted || "part";
    document.documentElement.dataset.place = place;
    for (const link of document.querySelectorAll("a[data-place]")) {
      if (link.dataset.place === place) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    }
    window.scrollTo(0, 0);
  }
  document.documentElement.dataset.place = places.includes(location.hash.slice(1)) ? location.hash.slice(1) : "part";
  window.addEventListener("hashchange", showPlace);
  tapwright.head = () => showPlace();

  /* busy: one button at a time says what it does, and is pressed once only */
  let busy = null;
  function begin(button, words) {
    busy = { button, label: button.innerHTML };
    button.setAttribute("aria-disabled", "true");
    if (words) button.innerHTML = `<span>${words}</span>`;
    document.documentElement.dataset.busy = "";
  }
  function end() {
    if (!busy) return;
    busy.button.removeAttribute("aria-disabled");
    if (busy.button.classList.contains("primary")) busy.button.innerHTML = busy.label;
    busy = null;
    delete document.documentElement.dataset.busy;
  }

  function settle(element) {
    end();
    document.documentElement.toggleAttribute("data-answered", !!document.querySelector(".verdict"));
    const target = element.querySelector("[data-focus]");
    if (!target) return;
    target.focus({ preventScroll: true });
    requestAnimationFrame(() => {  // what the answer hides is gone by then
      const box = target.closest("section, p") || target;
      const top = box.getBoundingClientRect().top;
      if (top >= 0 && top <= window.innerHeight * 0.6) return;
      const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
      window.scrollTo({ top: window.scrollY + top - 12, behavior: still ? "auto" : "smooth" });
    });
  }

  tapwright.shown = (element, watch) => watch("value", () => settle(element));

  tapwright.forms = (element, trigger, watch) => {
    element.addEventListener("submit", (event) => {
      if ("plain" in event.target.dataset) return;
      event.preventDefault();
      if (busy) return;
      const data = Object.fromEntries(new FormData(event.target, event.submitter));
      data.do = event.target.dataset.do;
      const button = event.submitter || event.target.querySelector("button");
      if (button) begin(button, button.classList.contains("primary") ? "Working…" : "");
      trigger("submit", data);
    });
    watch("value", () => settle(element));
  };

  /* files: chosen, dropped or pasted; each begins to travel at once */
  async function upload(file) {
    const answer = await fetch("/uploads", { method: "POST", body: file });
    if (!answer.ok) throw new Error(await answer.text());
    return answer.json();
  }
  class Files {
    constructor(changed) { this.changed = changed; this.list = []; }
    add(files) {
      for (const file of files) {
        const item = { file, name: file.webkitRelativePath || file.name };
        item.sent = this.send(item);
        this.list.push(item);
      }
      this.changed();
    }
    send(item) {
      const sent = upload(item.file);
      sent.then(() => item.entry?.setAttribute("data-sent", ""), () => {});
      return sent;
    }
    remove(item) { this.list = this.list.filter((each) => each !== item); this.changed(); }
    async arrived() {
      const found = [];
      for (const item of this.list) {
        if (item.used) item.sent = this.send(item);
        const { token } = await item.sent;
        item.used = true;
        found.push({ token, name: item.name });
      }
      return found;
    }
  }

  function droppable(element, take) {
    for (const name of ["dragover", "dragleave", "drop"]) {
      element.addEventListener(name, (event) => {
        event.preventDefault();
        element.classList.toggle("dropping", name === "dragover");
        if (name === "drop") take([...event.dataTransfer.files]);
      });
    }
  }

  function alertIn(box, words) { box.textContent = words; box.hidden = !words; }

  tapwright.photoForm = (element, trigger) => {
    const find = (id) => element.querySelector(`#${id}`);
    const form = element.querySelector("form");
    const files = new Files(draw);
    const scale = find("scale"), disc = find("disc");

    function scaleChanged() { find("disc-field").hidden = scale.value !== "coin:"; }
    const remembered = memory.get("scale");
    if (remembered && [...scale.options].some((option) => option.value === remembered)) scale.value = remembered;
    disc.value = memory.get("disc") || "";
    scale.addEventListener("change", () => { memory.set("scale", scale.value); scaleChanged(); });
    disc.addEventListener("change", () => memory.set("disc", disc.value));
    scaleChanged();

    function draw() {
      const thumbs = find("thumbs");
      thumbs.replaceChildren(...files.list.map((item) => {
        if (item.entry) return item.entry;
        const entry = (item.entry = document.createElement("li")), picture = new Image(), away = document.createElement("button");
        item.view ??= URL.createObjectURL(item.file);
        picture.src = item.view;
        picture.alt = item.name;
        picture.onerror = () => picture.replaceWith(Object.assign(document.createElement("span"), { className: "no-view", textContent: item.name }));
        away.type = "button";
        away.textContent = "Remove";
        away.setAttribute("aria-label", `Remove ${item.name}`);
        away.className = "button small quiet";
        away.onclick = () => { URL.revokeObjectURL(item.view); files.remove(item); find("photos").focus(); };
        entry.append(picture, away);
        return entry;
      }));
      alertIn(find("form-alert"), "");
    }

    find("photos").addEventListener("change", (event) => { files.add([...event.target.files]); event.target.value = ""; });
    droppable(element.querySelector(".photos"), (dropped) => files.add(dropped));
    document.addEventListener("paste", (event) => {
      const pasted = [...(event.clipboardData?.files || [])].filter((file) => file.type.startsWith("image/"));
      if (pasted.length && document.documentElement.dataset.place === "part") files.add(pasted);
    });
    document.addEventListener("click", (event) => {
      if (event.target.closest("a[data-scale]")) {
        event.preventDefault();
        form.scrollIntoView({ block: "start" });
        scale.focus();
        return;
      }
      if (!event.target.closest("a[data-photo]")) return;
      event.preventDefault();
      files.list = [];
      draw();
      find("photos").click();
      form.scrollIntoView({ block: "start" });
    });

    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (busy) return;
      if (!files.list.length) {
        alertIn(find("form-alert"), "There is no photo yet; take or choose one.");
        find("photos").focus();
        return;
      }
      begin(find("identify"), "Looking at the photo…");
      try {
        const data = Object.fromEntries(new FormData(form));
        trigger("submit", { ...data, disc: disc.value, photos: await files.arrived() });
      } catch (why) {
        end();
        alertIn(find("form-alert"), "The photo did not arrive; it may be too large, or the server is gone. Try again.");
      }
    });
    webcam(find, (file) => files.add([file]));
  };

  /* a camera of this computer, where the browser lets one be used */
  function webcam(find, take) {
    if (!navigator.mediaDevices?.getUserMedia) return;
    const video = find("webcam-view").querySelector("video");
    let stream = null;
    find("webcam").hidden = false;
    function close() {
      stream?.getTracks().forEach((track) => track.stop());
      stream = null;
      find("webcam-view").hidden = true;
      find("webcam-open").hidden = false;
    }
    find("webcam-open").onclick = async () => {
      try {
        stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: { ideal: "environment" }, width: { ideal: 3840 }, height: { ideal: 2160 } } });
      } catch {
        alertIn(find("form-alert"), "The camera can't be used; allow it in the browser, or choose a photo file.");
        return;
      }
      video.srcObject = stream;
      await video.play();
      find("webcam-view").hidden = false;
      find("webcam-open").hidden = true;
      find("webcam-shoot").focus();
    };
    find("webcam-shoot").onclick = () => {
      const canvas = document.createElement("canvas");
      canvas.width = video.videoWidth;
      canvas.height = video.videoHeight;
      canvas.getContext("2d").drawImage(video, 0, 0);
      canvas.toBlob((blob) => { take(new File([blob], "camera.jpg", { type: "image/jpeg" })); close(); }, "image/jpeg", 0.95);
    };
    find("webcam-close").onclick = close;
  }

  /* surveys and lists: files of any kind, one form */
  tapwright.filesForm = (element, trigger, watch) => {
    const attach = () => {
      for (const form of element.querySelectorAll("form[data-files]")) {
        if (form.ready) continue;
        form.ready = true;
        const files = new Files(() => {
          const count = form.querySelector(".chosen");
          const names = files.list.map((item) => item.name);
          if (count) count.textContent = names.length > 1 ? `${names.length} files` : names[0] || "";
        });
        form.filesOf = files;
        for (const input of form.querySelectorAll("input[type=file]")) {
          input.addEventListener("change", () => {
            files.list = [];
            files.add([...input.files]);
            input.value = "";
            if ("once" in form.dataset && files.list.length) form.requestSubmit();
          });
        }
        droppable(form, (dropped) => { files.list = []; files.add(dropped); });
      }
    };
    attach();
    element.addEventListener("submit", async (event) => {
      if ("plain" in event.target.dataset) return;
      event.preventDefault();
      if (busy) return;
      const form = event.target, data = Object.fromEntries(new FormData(form, event.submitter));
      for (const [name, value] of Object.entries(data)) if (value instanceof File) delete data[name];
      data.do = form.dataset.do;
      const box = form.querySelector(".alert");
      const button = event.submitter || form.querySelector("button");
      if (form.filesOf && !form.filesOf.list.length) {
        if (box) alertIn(box, "Nothing is chosen yet.");
        return;
      }
      if (button) begin(button, button.classList.contains("primary") ? "Working…" : "");
      try {
        if (form.filesOf) { data.files = await form.filesOf.arrived(); form.filesOf.list = []; }
        trigger("submit", data);
      } catch {
        end();
        if (box) alertIn(box, "The file did not arrive; it may be too large, or the server is gone. Try again.");
      }
    });
    watch("value", () => { attach(); settle(element); });
  };
})();
