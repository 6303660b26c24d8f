/* Plotly asks for its room once, before the page has given it any, and again when the window changes: tell it. */
function render({ el }) {
  el.hidden = true;
  let width = 0;
  const watch = new ResizeObserver(function () {
    const now = el.closest(".labcalc-page")?.clientWidth ?? 0;
    if (now && now !== width) {
      width = now;
      window.dispatchEvent(new Event("resize"));
    }
  });
  requestAnimationFrame(function () { watch.observe(el.closest(".labcalc-page") ?? document.body); });
  return function () { watch.disconnect(); };
}

export default { render };
