/* A picture whose series move. plotly.js comes when it is asked for, and again if it doesn't come: a model that took it
   in while it is made has two seconds, and is deaf if they are too few. */
function fetched(model) {
  if (window.Plotly) { return Promise.resolve(window.Plotly); }
  return new Promise(function (resolve) {
    let wait = 4000, timer = null;
    function ask() {
      model.send({ wants: "library" });
      timer = setTimeout(ask, wait *= 2);
    }
    function take(message, buffers) {
      const script = document.createElement("script");
      script.src = URL.createObjectURL(new Blob([buffers[0]], { type: "text/javascript" }));
      script.onload = function () {
        clearTimeout(timer);
        model.off("msg:custom", take);
        resolve(window.Plotly);
      };
      document.head.append(script);
    }
    model.on("msg:custom", take);
    ask();
  });
}

async function render({ model, el }) {
  await hears(model);
  const picture = document.createElement("div");
  picture.setAttribute("role", "group");
  el.append(picture);
  const Plotly = await fetched(model);
  let asked = 0;

  function draw() {
    const drawn = structuredClone(model.get("drawn"));
    picture.setAttribute("aria-label", model.get("caption"));
    picture.style.minHeight = drawn.layout.height + "px";
    Plotly.react(picture, drawn.data, drawn.layout, { displayModeBar: false, responsive: true }).then(move);
  }
  function move() {
    asked = 0;
    const places = model.get("places"), x = [], y = [], which = [];
    picture.data.forEach(function (one, place) {
      if (places[one.meta]) {
        x.push(places[one.meta].x);
        y.push(places[one.meta].y);
        which.push(place);
      }
    });
    if (which.length) { Plotly.restyle(picture, { x, y }, which); }
  }
  model.on("change:drawn", draw);
  model.on("change:places", function () { asked = asked || requestAnimationFrame(move); });
  draw();
}

export default { render };
