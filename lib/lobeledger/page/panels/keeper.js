// The page's side of the keeper: asks whether anybody is there, carries the desk, keeps a copy, says when all is lost.
// What the kernel answers stands in two plain widgets beside this one (see keeper.py): this model itself may be deaf.
const EVERY_MS = 4000, PATIENCE = 3, COPIES = 12;
const DESK = /^[0-9a-f]{16}$/;
const newDesk = () => Array.from(crypto.getRandomValues(new Uint8Array(8)), (b) => b.toString(16).padStart(2, "0")).join("");
const inVoila = () => document.body.dataset.voila !== undefined || location.pathname.includes("/voila/render/");
const baseUrl = () => {
  const file = document.getElementById("jupyter-config-data");
  try { return JSON.parse(file.textContent).baseUrl || "/"; } catch { return "/"; }
};
const stored = (key) => { try { return JSON.parse(localStorage.getItem(key)); } catch { return null; } };

/** The tab's desk: from the address, else the tab's memory, else a new one. */
function deskOfTab() {
  const asked = new URLSearchParams(location.search).get("desk") || sessionStorage.getItem("ll-desk") || "";
  return DESK.test(asked) ? asked : newDesk();
}

/** Give the tab its desk: in its memory, in the address (for a reload), in the links to the other pages. */
function carry(desk) {
  sessionStorage.setItem("ll-desk", desk);
  if (inVoila()) {
    const here = new URL(location.href);
    if (here.searchParams.get("desk") !== desk || here.searchParams.has("token")) {
      here.searchParams.set("desk", desk);
      here.searchParams.delete("token");  // the cookie of this visit stands for it
      history.replaceState(history.state, "", here);
    }
  }
  for (const link of document.querySelectorAll("a[href*='/voila/render/']")) {
    const to = new URL(link.href);
    if (to.searchParams.get("desk") !== desk) { to.searchParams.set("desk", desk); link.href = to.href; }
  }
}

function remember(note) {
  if (!note.sheet || !DESK.test(note.desk)) return;
  const copy = { name: note.name, sheet: note.sheet, revision: note.revision, at: Date.now() };
  try {
    localStorage.setItem(`ll-desk-${note.desk}`, JSON.stringify(copy));
    const all = Object.keys(localStorage).filter((key) => key.startsWith("ll-desk-"));
    const old = all.map((key) => [stored(key)?.at || 0, key]).sort((a, b) => b[0] - a[0]).slice(COPIES);
    for (const [, key] of old) localStorage.removeItem(key);
  } catch { /* the browser keeps nothing, or is full: the desk on the computer is the first copy */ }
}

/** What the server says of the kernel: "there", "busy", "ended" or "closed" (no server, or one that does not know us). */
async function askServer(kernel) {
  try {
    const path = kernel ? `api/kernels/${kernel}` : "api/status";
    const answer = await fetch(baseUrl() + path, { cache: "no-store", signal: AbortSignal.timeout(3000) });
    if (answer.status === 404) return "ended";
    if (!answer.ok || answer.redirected) return "closed";
    const said = await answer.json();
    if (["dead", "terminating"].includes(said.execution_state)) return "ended";
    return ["busy", "starting", "restarting"].includes(said.execution_state) ? "busy" : "there";
  } catch { return "closed"; }
}

const WORDS = {
  ended: ["The figures on this page are no longer live.", "The program behind them has ended."],
  closed: ["Lobe Ledger has been closed.", "Start it again as you did before (workbook/open.py), then press the button."],
  back: ["Lobe Ledger is running again.", "Press the button to go on where you were."],
};

function makeBanner(act) {
  const banner = document.createElement("div");
  banner.className = "ll-lost";
  banner.setAttribute("role", "alert");
  banner.innerHTML = "<p><b></b> <span></span></p>"
    + '<button type="button" class="ll-again">Bring everything back</button>'
    + '<button type="button" class="ll-save-copy">Save a copy of the build sheet</button>';
  banner.querySelector(".ll-again").addEventListener("click", act.again);
  banner.querySelector(".ll-save-copy").addEventListener("click", act.save);
  return banner;
}

function saveCopy(copy) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([copy.sheet], { type: "application/toml" }));
  link.download = `${(copy.name || "build").replace(/[\\/:*?"<>|\x00-\x1f]+/g, "-").slice(0, 80)}.toml`;
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}

function render({ model, el }) {
  const voila = inVoila();
  let asked = 0, answered = 0, refusals = 0, state = "there", note = { count: 0, desk: "", kernel: "" }, desk = deskOfTab();
  const send = (content) => { try { model.send(content); } catch { /* the next one may pass */ } };
  const ownCopy = () => stored(`ll-desk-${desk}`);
  const banner = makeBanner({
    save: () => { const copy = ownCopy(); if (copy) saveCopy(copy); },
    again: async () => {
      const now = await askServer("");
      if (now === "closed") { tell("closed"); return; }
      carry(desk);
      const rerun = el.closest(".jp-NotebookPanel")?.querySelector('[data-jp-item-name="restart-and-run"] :is(jp-button, button)');
      if (voila || !rerun) location.reload(); else rerun.click();
    },
  });
  if (voila) { banner.classList.add("ll-over"); document.body.prepend(banner); } else el.append(banner);

  function tell(now) {
    state = now;
    const lost = now !== "there";
    const panel = el.closest(".ll-panel"), own = el.closest(".ll-keeper");
    for (const part of panel?.children || []) {
      if (part === own) continue;
      part.classList.toggle("ll-gone", lost);
      part.inert = lost;
    }
    banner.classList.toggle("ll-on", lost);
    if (!lost) return;
    const [head, text] = WORDS[now];
    const kept = "Nothing is lost: the build is kept as you left it, unsaved changes too.";
    banner.querySelector("b").textContent = head;
    banner.querySelector("span").textContent = `${text} ${kept}`;
    banner.querySelector(".ll-save-copy").hidden = !ownCopy();
  }

  function read() {
    const box = el.closest(".ll-keeper");
    const value = (name) => box?.querySelector(`.ll-keeper-${name} data`)?.value || "";
    answered = Math.max(answered, Number(value("pulse")) || 0);
    let said = null;
    try { said = JSON.parse(value("note")); } catch { /* not there yet */ }
    if (said && said.count !== note.count) {
      note = said;
      if (DESK.test(note.desk)) desk = note.desk;
      carry(desk);
      remember(note);
    }
  }

  function hello() {
    if (note.count && !note.desk) {
      const copy = ownCopy();
      send({ type: "hello", desk, revision: copy?.revision || 0, name: copy?.name || "", sheet: copy?.sheet || "" });
    }
  }

  /** What has become of a kernel that has not answered the last question. */
  async function judge() {
    let now = await askServer(note.kernel);
    refusals = now === "closed" ? refusals + 1 : 0;
    read();
    if (asked === answered) now = "there";
    // A kernel that was started anew under the same name knows nothing of this page: it is there and says nothing.
    else if (now === "there") now = asked - answered > PATIENCE ? "ended" : state;
    else if (now === "busy" || refusals === 1) now = state;
    if (now === "ended" && (state === "closed" || state === "back")) now = "back";
    if (now !== state) tell(now);
  }

  async function beat() {
    read();
    if (asked === answered) { if (state !== "there") tell("there"); } else if (note.count) await judge();
    hello();
    send({ type: "ping", number: ++asked, have: note.count });
  }

  // The neighbours' answers are seen when they come; they may be drawn after this.
  const watch = new MutationObserver(read);
  let found = null;
  const find = setInterval(() => {
    found = el.closest(".ll-keeper");
    if (!found?.querySelector(".ll-keeper-note data")) return;
    clearInterval(find);
    watch.observe(found, { childList: true, subtree: true, attributes: true, attributeFilter: ["value"] });
    beat();
  }, 100);
  const timer = setInterval(() => { if (found?.isConnected) beat(); }, EVERY_MS);
  const look = () => { if (document.visibilityState === "visible" && note.desk) send({ type: "look" }); };
  window.addEventListener("focus", look);
  document.addEventListener("visibilitychange", look);
  carry(desk);
  return () => {
    clearInterval(find);
    clearInterval(timer);
    watch.disconnect();
    banner.remove();
    window.removeEventListener("focus", look);
    document.removeEventListener("visibilitychange", look);
  };
}
export default { render };
