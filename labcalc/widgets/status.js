/* A sentence that a screen reader says when it changes. */
function render({ model, el }) {
  el.setAttribute("role", "status");
  el.setAttribute("aria-live", "polite");
  function draw() {
    el.className = "labcalc-status " + model.get("kind");
    el.textContent = model.get("text");
  }
  model.on("change", draw);
  draw();
}

export default { render };
