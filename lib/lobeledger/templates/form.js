// A form by state: what is asked, and the answer to what was sent, always come whole in one trait.
// Every view makes ids of its own: each widget has its own copy of this module, so a counter would give two forms one id.
const make = (tag, more = {}, ...inner) => {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(more)) {
    if (key === "text") node.textContent = value;
    else if (value === true) node.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) node.setAttribute(key, value);
  }
  node.append(...inner);
  return node;
};

function render({ model, el }) {
  const id = `ll-form-${Math.random().toString(36).slice(2, 10)}`;
  let form = null, drawn = -1, sent = 0, answered = 0, waiting = 0;
  const nodes = new Map(); // key -> {box, note, hint, inputs, asked}

  const value = (key) => {
    const node = nodes.get(key);
    if (!node) return "";
    const kind = node.asked.kind;
    if (kind === "tick") return node.inputs[0].checked ? "yes" : "";
    if (kind === "radio") return node.inputs.find((each) => each.checked)?.value ?? "";
    return node.inputs[0].value;
  };
  const put = (key, text) => {
    const node = nodes.get(key);
    if (!node) return;
    const kind = node.asked.kind;
    if (kind === "tick") node.inputs[0].checked = text === "yes";
    else if (kind === "radio") for (const each of node.inputs) each.checked = each.value === text;
    else node.inputs[0].value = text;
  };
  const answers = () => Object.fromEntries([...nodes.keys()].filter((key) => !nodes.get(key).box.hidden).map((key) => [key, value(key)]));
  const touched = () => Object.fromEntries([...nodes].filter(([key, node]) => value(key) !== node.asked.value).map(([key]) => [key, value(key)]));

  const arrange = () => {
    // A field that is not asked for counts as empty for those that hang on it; two rounds reach them all.
    const holds = (when) => when.every(([key, values]) => values.includes(nodes.get(key).box.hidden ? "" : value(key)));
    for (let round = 0; round < 2; round++) for (const node of nodes.values()) node.box.hidden = !holds(node.asked.when);
    for (const group of form.querySelectorAll(".lf-group")) {
      const inner = [...group.querySelectorAll(".lf-field")];
      group.hidden = inner.length > 0 && inner.every((each) => each.hidden);
    }
  };
  const clear = (node) => {
    node.note.textContent = node.hint;
    node.note.classList.remove("lf-wrong");
    for (const each of node.inputs) each.removeAttribute("aria-invalid");
  };
  const send = (message) => {
    sent = Math.max(sent, answered) + 1;
    model.send({ ...message, n: sent, fields: answers() });
    form.querySelector("output").textContent = "Reading …";
    clearInterval(waiting);
    const mine = sent;
    // A model that took too long to wake hears nothing any more; what it says still arrives, so it asks to be replaced.
    waiting = setInterval(() => { if (answered < mine) model.send({ type: "deaf", n: mine, fields: touched() }); }, 5000);
  };

  const field = (asked) => {
    const own = `${id}-${asked.key.replace(/[^a-zA-Z0-9]+/g, "-")}-${Math.random().toString(36).slice(2, 6)}`;
    const note = make("p", { class: "lf-note", id: `${own}-note`, text: asked.hint });
    const node = { asked, note, hint: asked.hint, inputs: [], box: null };
    const common = { "aria-describedby": note.id, name: own };
    if (asked.kind === "radio") {
      const row = make("div", { class: "lf-row" });
      for (const [text, said] of asked.options) {
        const input = make("input", { type: "radio", value: text, ...common });
        node.inputs.push(input);
        row.append(make("label", {}, input, make("span", { text: said })));
      }
      const name = make("span", { class: "lf-label", id: `${own}-label`, text: asked.label });
      row.setAttribute("role", "radiogroup");
      row.setAttribute("aria-labelledby", name.id);
      node.box = make("div", { class: asked.options.length > 2 ? "lf-field lf-radio lf-wide" : "lf-field lf-radio" }, name, row, note);
    } else if (asked.kind === "tick") {
      const input = make("input", { type: "checkbox", id: own, ...common });
      node.inputs.push(input);
      node.box = make("div", { class: "lf-field lf-tick" }, make("span"), make("label", { for: own }, input, make("span", { text: asked.label })), note);
    } else {
      let input;
      if (asked.kind === "choice") {
        input = make("select", { id: own, ...common });
        for (const [text, said] of asked.options) input.append(make("option", { value: text, text: said }));
      } else {
        const mode = asked.kind === "number" ? "decimal" : "text";
        input = make("input", { id: own, type: "text", inputmode: mode, autocomplete: "off", spellcheck: "false", placeholder: asked.ghost, maxlength: 200, ...common });
      }
      node.inputs.push(input);
      const box = make("span", { class: "lf-box" }, input);
      if (asked.unit) box.append(make("span", { class: "lf-unit", text: asked.unit }));
      for (const [act, said] of asked.acts) {
        const button = make("button", { type: "button", class: "lf-act", "aria-label": `${said}: ${asked.value}`, text: said });
        button.addEventListener("click", () => send({ type: "act", act, key: asked.key }));
        box.append(button);
      }
      node.box = make("div", { class: `lf-field lf-${asked.kind}` }, make("label", { class: "lf-label", for: own, text: asked.label }), box, note);
    }
    nodes.set(asked.key, node);
    put(asked.key, asked.value);
    for (const input of node.inputs) {
      input.addEventListener("input", () => {
        clear(node);
        if (!form.querySelector(".lf-wrong")) form.querySelector(".lf-sum").textContent = "";
      });
      input.addEventListener("change", () => {
        arrange();
        if (asked.asks) send({ type: "ask", key: asked.key, value: value(asked.key) });
      });
    }
    return node.box;
  };

  const open = (head, on) => {
    head.setAttribute("aria-expanded", String(on));
    document.getElementById(head.getAttribute("aria-controls")).hidden = !on;
  };
  const group = (asked, at) => {
    const body = make("div", { class: "lf-fields", id: `${id}-g${at}-${Math.random().toString(36).slice(2, 6)}` });
    body.append(...asked.fields.map(field));
    const said = asked.note ? [make("p", { class: "lf-said", text: asked.note })] : [];
    if (!asked.folded) return make("section", { class: asked.half ? "lf-group lf-half" : "lf-group", "aria-label": asked.title }, make("h4", { text: asked.title }), ...said, body);
    const head = make("button", { type: "button", class: "lf-fold", "aria-expanded": "false", "aria-controls": body.id, text: asked.title });
    const inner = make("div", { id: `${body.id}-b`, hidden: true }, ...said, body);
    head.setAttribute("aria-controls", inner.id);
    head.addEventListener("click", () => open(head, head.getAttribute("aria-expanded") !== "true"));
    return make("section", { class: "lf-group", "aria-label": asked.title }, make("h4", {}, head), inner);
  };

  const draw = () => {
    const state = model.get("state");
    const isFirst = form === null;
    if (state.rev !== drawn) {
      // What was typed and not yet taken stays, unless the form is a new one because it was taken.
      const typed = form === null || state.fresh ? { ...state.typed } : touched();
      const at = form?.contains(document.activeElement) ? [...nodes].find(([, node]) => node.inputs.includes(document.activeElement))?.[0] : null;
      const unfolded = form ? [...form.querySelectorAll(".lf-fold[aria-expanded=true]")].map((each) => each.textContent) : [];
      nodes.clear();
      const groups = state.form.groups.map(group);
      const out = make("output", { "aria-live": "polite" });
      const sum = make("p", { class: "lf-sum", role: "alert" });
      form = make("form", { class: "lf", novalidate: true, "aria-label": state.form.title }, ...groups,
        make("div", { class: "lf-do" }, make("button", { type: "submit", class: "lf-use", text: state.form.button }), out, sum));
      form.addEventListener("submit", (event) => { event.preventDefault(); send({ type: "use" }); });
      el.replaceChildren(form);
      for (const [key, text] of Object.entries(typed)) if (key !== state.asked) put(key, text);
      for (const head of form.querySelectorAll(".lf-fold")) if (unfolded.includes(head.textContent)) open(head, true);
      drawn = state.rev;
      arrange();
      if (at) nodes.get(at)?.inputs[0].focus({ preventScroll: true });
    }
    const answer = state.answer;
    if (!answer || answer.n <= answered) return;
    answered = answer.n;
    clearInterval(waiting);
    for (const node of nodes.values()) clear(node);
    const wrong = Object.entries(answer.wrong);
    let first = null;
    const loose = [];
    for (const [key, text] of wrong) {
      const node = nodes.get(key);
      if (!node || node.box.hidden) { loose.push(text); continue; }
      node.note.textContent = text;
      node.note.classList.add("lf-wrong");
      for (const each of node.inputs) each.setAttribute("aria-invalid", "true");
      if (!first || first.inputs[0].compareDocumentPosition(node.inputs[0]) & Node.DOCUMENT_POSITION_PRECEDING) first = node;
    }
    const sum = form.querySelector(".lf-sum"), out = form.querySelector("output");
    const count = wrong.length - loose.length;
    const head = count ? `${count} ${count === 1 ? "thing" : "things"} to put right; nothing was changed.` : "";
    sum.textContent = [head, ...loose].filter(Boolean).join(" ");
    out.textContent = wrong.length ? "" : answer.said;
    // A view that is made later, of a form that was answered before, does not take the cursor.
    if (first && !isFirst) {
      const body = first.box.closest("[id$='-b']");
      if (body?.hidden) open(form.querySelector(`[aria-controls="${body.id}"]`), true);
      first.inputs[0].focus();
    }
  };
  model.on("change:state", draw);
  draw();
  // A state that was sent while this half was not listening yet is asked for again.
  const ask = () => model.send({ type: "have", rev: drawn });
  const timers = [400, 4000, 15000].map((ms) => setTimeout(ask, ms));
  return () => { clearInterval(waiting); for (const each of timers) clearTimeout(each); model.off("change:state", draw); };
}
export default { render };
