// What every widget of ours shares: its whole state stands in one trait, and this talk mends what is lost on the way.
// A model that missed its time to initialise hears nothing for ever after, though it is drawn and can still speak; so
// it asks, and when no answer comes it says that it is deaf, and the kernel puts a new one in its place.
const ASK_MS = [300, 4000, 9000, 20000, 45000];
const DEAF_MS = 14000;
const DEAF_AGAIN_MS = 10000;

function live(model, { draw, hear = () => {} }) {
  const tell = (message) => { try { model.send(message); } catch { /* no kernel: the page says so elsewhere */ } };
  const ask = () => tell({ type: "have", rev: model.get("state").rev });
  let answered = false;
  const listen = (message) => { if (message.type === "newest") answered = true; else hear(message); };
  const complain = () => {
    if (answered || document.hidden) return;
    tell({ type: "deaf" });
    timers.push(setTimeout(complain, DEAF_AGAIN_MS));
  };
  const wake = () => { if (!document.hidden) { ask(); draw(); } };
  // a state that was sent again may overtake a newer one: what is older than what stands is not drawn
  let newest = -1;
  const change = () => {
    const { rev } = model.get("state");
    if (rev < newest) return ask();
    newest = rev;
    draw();
  };
  model.on("msg:custom", listen);
  model.on("change:state", change);
  const timers = ASK_MS.map((ms) => setTimeout(ask, ms));
  timers.push(setTimeout(complain, DEAF_MS));
  document.addEventListener("visibilitychange", wake);
  window.addEventListener("online", ask);
  const stop = () => {
    timers.forEach(clearTimeout);
    model.off("change:state", change);
    model.off("msg:custom", listen);
    document.removeEventListener("visibilitychange", wake);
    window.removeEventListener("online", ask);
  };
  return { tell, stop };
}
