// Controls out of native parts: what a person sets is sent at once, what the kernel sets is shown unless it is being set.
const SEND_EVERY_MS = 40;
const TURN_EVERY_MS = 120;
// every widget has a copy of this module: a counter would give two controls one id
const fresh = () => `ll-${Math.random().toString(36).slice(2, 10)}`;
const digits = (step) => (step >= 1 ? 0 : step >= 0.1 ? 1 : step >= 0.01 ? 2 : 4);
const nice = (value, step) => value.toLocaleString("en-US", { maximumFractionDigits: digits(step) });
const plain = (value) => String(+(+value).toFixed(6));

function element(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes))
    if (value !== undefined && value !== null && value !== false) made.setAttribute(key, value === true ? "" : value);
  made.append(...children.filter((each) => each !== null && each !== undefined));
  return made;
}

// a sender that lets the first move through at once and the last one soon after
function paced(send) {
  let timer = 0, last = 0, waiting = null;
  const go = () => { timer = 0; last = performance.now(); send(waiting); };
  return (value) => {
    waiting = value;
    if (timer) return;
    const rest = SEND_EVERY_MS - (performance.now() - last);
    if (rest <= 0) go(); else timer = setTimeout(go, rest);
  };
}

// what is in hand stays in sight when the answer above it grows; who has scrolled since is left alone
function keepInSight(row, range) {
  let at = null;
  const look = new ResizeObserver(() => {
    if (document.getElementById("rendered_cells") && at === window.scrollY && row.getBoundingClientRect().bottom > window.innerHeight) {
      row.scrollIntoView({ block: "nearest" });
      at = window.scrollY;
    }
  });
  range.addEventListener("input", () => { at = window.scrollY; });
  range.addEventListener("focus", () => { const panel = row.closest(".ll-panel"); if (panel) look.observe(panel); });
  range.addEventListener("blur", () => { at = null; look.disconnect(); });
}

function slider(item, set) {
  const id = fresh();
  const label = element("label", { for: `${id}-n` });
  const range = element("input", { type: "range", id: `${id}-r` });
  const number = element("input", { type: "number", id: `${id}-n`, step: "any", inputmode: "decimal", "aria-describedby": `${id}-w` });
  const prefix = element("span", { class: "ll-unit" }), unit = element("span", { class: "ll-unit" });
  const was = element("span", { class: "ll-was", id: `${id}-w` });
  const tick = element("i", { "aria-hidden": "true" });
  const row = element("div", { class: "ll-row" }, label, element("span", { class: "ll-box" }, prefix, number, unit),
    element("span", { class: "ll-track" }, range, tick), was);
  let now = item, editing = false;
  const stops = () => now.stops;
  const toRange = (value) => {
    if (!stops()) return value;
    const nearest = stops().reduce((best, each, i) => Math.abs(each - value) < Math.abs(stops()[best] - value) ? i : best, 0);
    return nearest;
  };
  const fromRange = (place) => (stops() ? stops()[place] : place);
  const spoken = (value) => [now.prefix, nice(value, now.step), now.unit].filter(Boolean).join(" ");
  const send = paced((value) => set(value));
  const mark = () => {
    const value = now.value, [low, high] = [+range.min, +range.max];
    const share = high > low ? (toRange(value) - low) / (high - low) : 0;
    range.style.setProperty("--at", `${100 * share}%`);
    range.setAttribute("aria-valuetext", spoken(value));
    const moved = now.before !== null && now.before !== undefined && Math.abs(now.before - value) > 1e-9;
    was.textContent = moved ? `was ${spoken(now.before)}` : "";
    tick.hidden = !moved;
    if (moved) tick.style.left = `calc(12px + (100% - 24px) * ${(toRange(now.before) - low) / (high - low || 1)})`;
    row.classList.toggle("ll-moved", moved);
  };
  const put = (next) => {
    now = { ...next };
    label.textContent = now.label;
    row.title = now.hint || "";
    range.setAttribute("aria-label", now.label);
    range.min = stops() ? 0 : now.low; range.max = stops() ? stops().length - 1 : now.high; range.step = stops() ? 1 : now.step;
    if (!range.matches(":active")) range.value = toRange(now.value);
    if (!editing) number.value = plain(now.value);
    prefix.textContent = now.prefix || ""; prefix.hidden = !now.prefix;
    unit.textContent = now.unit || ""; unit.hidden = !now.unit;
    mark();
  };
  range.addEventListener("input", () => {
    now.value = fromRange(+range.value);
    number.value = plain(now.value);
    mark();
    send(now.value);
  });
  number.addEventListener("input", () => { editing = true; });
  number.addEventListener("change", () => {
    editing = false;
    const asked = Number(number.value);
    if (number.value.trim() === "" || !Number.isFinite(asked)) { number.value = plain(now.value); return; }
    const low = stops() ? 1 : now.low;
    now.value = stops() ? Math.max(low, asked) : Math.min(now.high, Math.max(low, asked));
    number.value = plain(now.value);
    range.value = toRange(now.value);
    mark();
    send(now.value);
  });
  if (item.turns) {
    const play = element("button", { type: "button", class: "ll-button", "aria-pressed": "false" }, "Turn");
    let timer = 0;
    const stop = () => { clearInterval(timer); timer = 0; play.setAttribute("aria-pressed", "false"); play.textContent = "Turn"; };
    play.addEventListener("click", () => {
      if (timer) return stop();
      play.setAttribute("aria-pressed", "true"); play.textContent = "Stop";
      timer = setInterval(() => {
        if (!play.isConnected) return stop();
        now.value = now.value + now.step > now.high ? now.low : now.value + now.step;
        range.value = now.value; number.value = plain(now.value); mark(); send(now.value);
      }, TURN_EVERY_MS);
    });
    row.querySelector(".ll-box").append(play);
  }
  keepInSight(row, range);
  put(item);
  return { node: row, put };
}

// several numbers that belong together, such as a band of speed and the time spent in it
function numbers(item, set) {
  const legend = element("legend", {}, item.label);
  const box = element("fieldset", { class: "ll-numbers" }, legend);
  let now = item;
  const inputs = item.parts.map((part, i) => {
    const id = fresh();
    const input = element("input", { type: "number", id, step: "any", inputmode: "decimal" });
    input.addEventListener("change", () => {
      const asked = Number(input.value), { low, high } = now.parts[i];
      if (input.value.trim() === "" || !Number.isFinite(asked)) { input.value = plain(now.value[i]); return; }
      now.value = now.value.map((each, j) => (j === i ? Math.min(high, Math.max(low, asked)) : each));
      input.value = plain(now.value[i]);
      set(now.value);
    });
    box.append(element("span", { class: "ll-number" }, element("label", { for: id }, part.label), input,
      element("span", { class: "ll-unit" }, part.unit)));
    return input;
  });
  const put = (next) => {
    now = { ...next };
    box.title = now.hint || "";
    inputs.forEach((input, i) => { if (document.activeElement !== input) input.value = plain(now.value[i]); });
  };
  put(item);
  return { node: box, put };
}

function tick(item, set) {
  const input = element("input", { type: "checkbox" }), text = element("span");
  const row = element("label", { class: "ll-tick" }, input, text);
  input.addEventListener("change", () => set(input.checked));
  const put = (next) => { input.checked = next.value; text.textContent = next.label; row.title = next.hint || ""; };
  put(item);
  return { node: row, put };
}

function pick(item, set) {
  const name = fresh(), box = element("fieldset", { class: "ll-pick" });
  let shape = "";
  const put = (next) => {
    const now = JSON.stringify([next.label, next.options]);
    if (now !== shape) {
      shape = now;
      box.replaceChildren(element("legend", {}, next.label), ...next.options.map(([value, text]) => {
        const input = element("input", { type: "radio", name, value });
        input.addEventListener("change", () => set(value));
        return element("label", {}, input, element("span", {}, text));
      }));
    }
    box.title = next.hint || "";
    for (const input of box.querySelectorAll("input")) input.checked = input.value === next.value;
  };
  put(item);
  return { node: box, put };
}

function select(item, set) {
  const id = fresh(), input = element("select", { id }), label = element("label", { for: id });
  let shape = "";
  input.addEventListener("change", () => set(input.value));
  const put = (next) => {
    const now = JSON.stringify(next.options);
    if (now !== shape) {
      shape = now;
      input.replaceChildren(...next.options.map(([value, text]) => element("option", { value }, text)));
    }
    label.textContent = next.label; input.value = next.value; input.title = next.hint || "";
  };
  put(item);
  return { node: element("span", { class: "ll-select" }, label, input), put };
}

function text(item, set) {
  const id = fresh(), label = element("label", { for: id });
  const input = item.lines > 1 ? element("textarea", { id, rows: item.lines }) : element("input", { type: "text", id });
  input.addEventListener("change", () => set(input.value));
  const put = (next) => {
    label.textContent = next.label; input.placeholder = next.placeholder || ""; input.title = next.hint || "";
    if (document.activeElement !== input) input.value = next.value;
  };
  put(item);
  return { node: element("span", { class: "ll-text" }, label, input), put };
}

function note(item) {
  const made = element(item.strong ? "h4" : "p", { class: item.strong ? "ll-of" : "ll-quiet" });
  const put = (next) => { made.textContent = next.label; };
  put(item);
  return { node: made, put };
}

function button(item, set) {
  const made = element("button", { type: "button", class: "ll-button" });
  let now = item;
  made.addEventListener("click", () => {
    if (!now.on) return;  // a button that can do nothing keeps its place and its name for a keyboard
    if (now.does === "print") window.print(); else set(true);
  });
  // Ctrl and a letter, where a page is no notebook with keys of its own and nothing is being written
  const press = (event) => {
    if (!made.isConnected) return document.removeEventListener("keydown", press);
    const writes = event.target.closest?.("textarea, select, input:not([type=range]):not([type=checkbox]):not([type=radio])");
    if (!now.shortcut || writes || !document.getElementById("rendered_cells")) return;
    if ((event.ctrlKey || event.metaKey) && !event.shiftKey && event.key.toLowerCase() === now.shortcut) {
      event.preventDefault();
      made.click();
    }
  };
  if (item.shortcut) document.addEventListener("keydown", press);
  const put = (next) => {
    now = next;
    made.classList.toggle("ll-main", Boolean(now.main));
    made.textContent = now.label; made.title = now.hint || "";
    made.setAttribute("aria-disabled", String(!now.on));
    if (now.expanded !== null && now.expanded !== undefined) made.setAttribute("aria-expanded", String(now.expanded));
  };
  put(item);
  return { node: made, put };
}

const KINDS = { slider, numbers, tick, pick, select, text, note, button };

function handOut(file, tell) {
  const given = (globalThis.__lobeledger_given ??= new Set());
  if (!file || given.has(file.id)) return;
  given.add(file.id);
  tell({ type: "given", id: file.id });
  const link = element("a", { href: URL.createObjectURL(new Blob([file.text], { type: file.mime })), download: file.name });
  document.body.appendChild(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}

function render({ model, el }) {
  const root = element("div", { class: "ll-controls-in" });
  el.appendChild(root);
  let shape = "", puts = new Map();
  const open = new Map();

  function build(state) {
    const focused = root.contains(document.activeElement) ? document.activeElement.closest("[data-key]")?.dataset.key : null;
    const part = document.activeElement?.type;
    puts = new Map();
    root.replaceChildren(...state.sections.map((section) => {
      const body = element("div", { class: "ll-items", id: fresh() });
      for (const item of section.items) {
        const made = KINDS[item.kind](item, (value) => talk.tell({ type: "set", key: item.key, value }));
        made.node.dataset.key = item.key;
        if (item.css) made.node.classList.add(...item.css.split(" "));
        puts.set(item.key, made.put);
        body.append(made.node);
      }
      if (!section.title) return body;
      const shown = open.get(section.title) ?? section.open;
      const head = element("button", { type: "button", "aria-expanded": String(shown), "aria-controls": body.id },
        element("i", { "aria-hidden": "true" }), element("span", {}, section.title));
      body.hidden = !shown;
      head.addEventListener("click", () => {
        const next = body.hidden;
        body.hidden = !next;
        open.set(section.title, next);
        head.setAttribute("aria-expanded", String(next));
      });
      return element("section", { class: "ll-fold" }, element("h3", {}, head), body);
    }));
    if (focused) {
      const back = root.querySelector(`[data-key="${CSS.escape(focused)}"]`);
      ((back?.matches("button") ? back : back?.querySelector(`[type=${part}]`)) || back?.querySelector("input, select, textarea"))?.focus();
    }
  }

  function draw() {
    const state = model.get("state");
    const now = JSON.stringify(state.sections.map((s) => [s.title, s.items.map((i) => [i.key, i.kind, i.css, i.parts?.length])]));
    if (now !== shape) { shape = now; build(state); }
    else for (const section of state.sections) for (const item of section.items) puts.get(item.key)(item);
    if (state.label) { root.setAttribute("role", "group"); root.setAttribute("aria-label", state.label); }
    handOut(state.file, talk.tell);
    talk.tell({ type: "has", rev: state.rev });
  }
  const talk = live(model, { draw });
  draw();
  return talk.stop;
}
export default { render };
