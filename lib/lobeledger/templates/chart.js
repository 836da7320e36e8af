// A chart draws its whole state each time and tells the kernel which revision it has.
const LIBRARY_AGAIN_MS = 9000;
const NARROW_PX = 520;
const OUT_OF_SIGHT_MS = 180;
const PAPER_PX = 680;
const PAPER_HIGH_PX = 225;
const LONG_TITLE = 38;

const library = () => globalThis.__lobeledger_plotly ??= new Promise((r) => { globalThis.__lobeledger_plotly_ready = r; });

function unpack(value) {
  if (value && typeof value === "object") {
    if (value.f4) { const b = value.f4; return new Float32Array(b.buffer.slice(b.byteOffset, b.byteOffset + b.byteLength)); }
    if (Array.isArray(value)) return value.map(unpack);
    return Object.fromEntries(Object.entries(value).map(([key, each]) => [key, unpack(each)]));
  }
  return value;
}

function ghostOf(trace) {
  const isLine = trace.type === "scatter" && String(trace.mode || "").includes("lines");
  if (!isLine || trace.fill || trace.line?.width === 0) return null;
  return { ...trace, mode: "lines", name: `${trace.name || ""}, before`, showlegend: false, hoverinfo: "skip",
           hovertemplate: undefined, line: { ...trace.line, color: "#6b7580", dash: "dash", width: 1.4 }, opacity: 0.85 };
}

// a long title of an axis on two lines
function inTwo(title) {
  const text = title?.text || "";
  if (text.length <= LONG_TITLE || text.includes("<br>")) return title;
  const middle = text.length / 2;
  const blanks = [...text.matchAll(/ /g)].map((each) => each.index);
  const at = blanks.reduce((best, each) => (Math.abs(each - middle) < Math.abs(best - middle) ? each : best), blanks[0]);
  return at === undefined ? title : { ...title, text: `${text.slice(0, at)}<br>${text.slice(at + 1)}` };
}

function fitted(layout, width) {
  const whole = { ...layout, width, autosize: false, dragmode: false };  // a finger scrolls the page, not the axes
  // plotly's own titles of axes are larger than the text
  for (const name of Object.keys(whole).filter((key) => /^[xy]axis/.test(key) && whole[key].title))
    whole[name] = { ...whole[name], title: { ...whole[name].title, font: { size: 14, ...whole[name].title.font } } };
  if (width >= NARROW_PX) return whole;
  for (const name of Object.keys(whole).filter((key) => /^[xy]axis/.test(key)))
    whole[name] = { ...whole[name], nticks: name[0] === "x" ? 5 : 4, dtick: undefined, title: inTwo(whole[name].title) };
  // a legend beside the plot would leave the plot no room
  if (whole.legend?.orientation === "v") {
    whole.legend = { ...whole.legend, orientation: "h", x: 0, xanchor: "left", y: 1, yanchor: "top", yref: "container" };
    whole.margin = { ...whole.margin, r: 10, t: 90 };
    whole.height = (whole.height || 270) + 80;
  }
  return whole;
}

function render({ model, el }) {
  const figure = document.createElement("figure");
  figure.className = "ll-chart";
  const caption = document.createElement("figcaption");
  const plot = document.createElement("div");
  plot.setAttribute("role", "img");
  figure.append(caption, plot);
  el.appendChild(figure);
  let closed = false, running = false, again = false, inSight = true, later = 0, width = 0;

  function needLibrary() {
    const now = Date.now();
    if (globalThis.__lobeledger_plotly_there || now - (globalThis.__lobeledger_plotly_asked || 0) < LIBRARY_AGAIN_MS) return;
    globalThis.__lobeledger_plotly_asked = now;
    talk.tell({ type: "plotly" });
    setTimeout(() => { if (!closed) needLibrary(); }, LIBRARY_AGAIN_MS + 500);
  }

  async function draw() {
    if (running) { again = true; return; }
    running = true;
    try {
      do {
        again = false;
        const state = model.get("state");
        talk.tell({ type: "has", rev: state.rev });
        caption.textContent = state.title || "";
        caption.hidden = !state.title;
        plot.setAttribute("aria-label", state.text || state.title || "chart");
        if (!(el.clientWidth > 0)) break;  // plotly takes a hidden box to be 700 px wide; drawn when it is seen
        needLibrary();
        const plotly = await library();
        if (closed) return;
        const ghosts = unpack(state.ghost || []).map(ghostOf).filter(Boolean);
        const layout = fitted(unpack(state.layout), el.clientWidth);
        await plotly.react(plot, [...ghosts, ...unpack(state.data)], layout,
          { displayModeBar: false, displaylogo: false, responsive: false });
        plot.dataset.rev = state.rev;
        plot.dataset.ghosts = ghosts.length;
      } while (again && !closed);
    } finally { running = false; }
  }
  // What is out of sight waits until the moves pause, so that what is looked at moves at once.
  const due = () => {
    clearTimeout(later);
    if (inSight) draw();
    else { talk.tell({ type: "has", rev: model.get("state").rev }); later = setTimeout(draw, OUT_OF_SIGHT_MS); }
  };
  const talk = live(model, { draw: due });
  const watch = new ResizeObserver(() => {
    const now = el.clientWidth;
    if (now > 0 && now !== width) { width = now; draw(); }
  });
  watch.observe(el);
  const sight = new IntersectionObserver((seen) => { inSight = seen.at(-1).isIntersecting; });
  sight.observe(el);
  const toPaper = () => { if (plot.data) library().then((plotly) => plotly.relayout(plot, { width: PAPER_PX, height: Math.min(plot.layout.height || PAPER_HIGH_PX, PAPER_HIGH_PX) })); };
  window.addEventListener("beforeprint", toPaper);
  window.addEventListener("afterprint", draw);
  draw();
  return () => {
    closed = true;
    clearTimeout(later);
    watch.disconnect();
    sight.disconnect();
    talk.stop();
    window.removeEventListener("beforeprint", toPaper);
    window.removeEventListener("afterprint", draw);
    if (plot.data) library().then((plotly) => plotly.purge(plot));
  };
}
export default { render };
