/* Room and keys for the page, and what is told beneath its picture. Plotly asks for its room once, before the page has
   any, and again when the window changes: tell it. JupyterLab has its own use for arrow keys, Enter and letters: they stay in the page. */
async function render({ model, el }) {
  await hears(model);
  function tell() {
    el.innerHTML = model.get("told");
    el.hidden = !el.innerHTML;
    name();
  }
  let width = 0, page = null;
  el.classList.add("labcalc-told");
  const watch = new ResizeObserver(function () {
    if (page.clientWidth && page.clientWidth !== width) {
      width = page.clientWidth;
      window.dispatchEvent(new Event("resize"));
      name();
    }
  });
  function keep(event) {
    if (!event.ctrlKey && !event.metaKey && !event.altKey && event.key !== "Escape") { event.stopPropagation(); }
  }
  function group() {
    for (const one of page.querySelectorAll(".widget-vbox, .labcalc-control")) {
      const title = one.querySelector(":scope > :is(.widget-html, .labcalc-about) h2");
      if (title) {
        one.setAttribute("role", "group");
        one.setAttribute("aria-label", title.textContent);
      }
    }
  }
  function name() {
    const drawn = page && page.querySelector(".js-plotly-plot");
    if (drawn) {
      drawn.setAttribute("role", "group");
      drawn.setAttribute("aria-label", model.get("caption"));
    }
  }
  /* While all cells run, JupyterLab shows the last of them; a lesson begins at its top, until a person does something. */
  function keepTop() {
    const view = el.closest(".jp-WindowedPanel-outer");
    if (!view) { return; }
    const doings = ["wheel", "keydown", "pointerdown"], again = setInterval(function () { view.scrollTop = 0; }, 100);
    const stop = function () {
      clearInterval(again);
      doings.forEach(function (one) { document.removeEventListener(one, stop, true); });
    };
    doings.forEach(function (one) { document.addEventListener(one, stop, true); });
    setTimeout(stop, 20000);
  }
  model.on("change", tell);
  tell();
  requestAnimationFrame(function () {
    if (model.get("top")) { keepTop(); }
    page = el.closest(".labcalc-page");
    if (page) {
      watch.observe(page);
      page.addEventListener("keydown", keep);
      group();
    }
  });
  return function () { watch.disconnect(); };
}

export default { render };
