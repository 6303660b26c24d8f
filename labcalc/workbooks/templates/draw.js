(function () {
  "use strict";
  document.querySelectorAll("figure details").forEach(function (one) { one.open = false; });
  document.querySelectorAll(".contents details").forEach(function (one) { one.open = window.innerWidth >= 960; });

  function reachByKeys() {
    document.querySelectorAll(".wide, .printed").forEach(function (one) {
      if (one.scrollWidth > one.clientWidth) { one.tabIndex = 0; } else { one.removeAttribute("tabindex"); }
    });
  }
  window.addEventListener("resize", reachByKeys);
  document.addEventListener("toggle", function () { reachByKeys(); if (window.Plotly) { drawAll(); } }, true);
  reachByKeys();

  function say(words) {
    document.querySelectorAll(".drawing").forEach(function (place) { place.textContent = words; place.style.height = "auto"; });
    document.querySelectorAll("figure details").forEach(function (one) { one.open = true; });
  }

  function read(place) { return JSON.parse(document.getElementById(place.dataset.figure).textContent); }

  function narrow(place, figure) {  // a legend's names stand beneath each other: the drawing keeps its height
    var layout = figure.layout, named = figure.data.filter(function (one) { return one.name && one.showlegend !== false; });
    if (layout.showlegend !== false && named.length > 1) { place.style.height = (layout.height += 17 * (named.length - 1)) + "px"; }
    Object.values(layout).forEach(function (one) { if (one && one.tickvals && one.tickvals.length > 24) { one.tickvals = []; } });
  }

  function drawAll() {
    var look = Array.from(document.querySelectorAll(".drawing")).map(function (place) {
      return (read(place).layout.template || {}).layout;
    }).find(Boolean);
    document.querySelectorAll(".drawing:not(.js-plotly-plot)").forEach(function (place) {
      if (place.closest("details:not([open])")) { return; }  // folded: drawn when it is opened
      var figure = read(place), template = figure.layout.template;
      if (template && template.layout === "shared") { template.layout = look; }
      figure.data.forEach(function (one) { if (typeof one.x === "number") { one.x = figure.data[one.x].x; } });
      if (place.clientWidth < 500) { narrow(place, figure); }
      Plotly.newPlot(place, figure.data, figure.layout, { responsive: true, displayModeBar: false, displaylogo: false });
    });
    document.documentElement.dataset.drawn = "yes";
  }

  function unpacked(text) {
    var bytes = Uint8Array.from(atob(text), function (letter) { return letter.charCodeAt(0); });
    return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"))).text();
  }

  var packed = document.getElementById("plotly-gzip");
  if (!document.querySelector(".drawing")) { return; }
  if (packed) {
    unpacked(packed.textContent).then(function (source) {
      var script = document.createElement("script");
      script.textContent = source;
      document.head.appendChild(script);
      drawAll();
    }).catch(function () { say("This browser can't unpack the drawing script; the numbers stand beneath."); });
  } else if (window.Plotly) {
    drawAll();
  } else {
    say("The drawing script is not beside this report; the numbers stand beneath.");
  }
})();
