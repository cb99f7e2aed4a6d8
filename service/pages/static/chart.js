// Reads out what lies under the pointer, or under the arrow keys, from the figures that the drawing itself carries.
"use strict";
(() => {
  const places = new WeakMap();

  const told = (text) => {
    if (!text) return "unknown";
    return text.split("-").map((n) => (Number(n) / 10).toFixed(1)).join(" to ") + " %";
  };

  const clock = (ms) => new Date(ms).toISOString().slice(0, 19).replace("T", " ") + " UTC";

  // How long a column of several windows lasts, of which the least and the most are told.
  const lasting = ({ step, each }) => {
    if (step === each) return "";
    return Number(step) % 60000 ? `, ${Number(step) / 1000} s` : `, ${Number(step) / 60000} min`;
  };

  // In columns, of which the last may be short.
  const length = (svg) => (Number(svg.dataset.end) - Number(svg.dataset.first)) / Number(svg.dataset.step);

  const count = (svg) => Math.ceil(length(svg));

  // The broad drawing has the figures; the narrow one may be what is shown.
  const broad = (region) => region?.querySelector("svg.broad");

  const shown = (region) => [...region.querySelectorAll("svg.plot")].find((svg) => svg.getClientRects().length);

  const read = (region, place) => {
    const svg = broad(region);
    const at = Math.min(count(svg) - 1, Math.max(0, place));
    places.set(region, at);
    const from = Number(svg.dataset.first) + at * Number(svg.dataset.step);
    const members = [...svg.querySelectorAll("[data-figures]")].map(
      (line) => `${line.dataset.member} ${told(line.dataset.figures.split(",")[at])}`,
    );
    document.getElementById(region.dataset.readout).textContent = `${clock(from)}${lasting(svg.dataset)}: ${members.join(", ")}`;
  };

  const regionOf = (event) => event.target.closest?.("[data-readout]");

  document.addEventListener("pointermove", (event) => {
    const region = regionOf(event);
    if (!broad(region)) return;
    const svg = shown(region);
    const box = svg.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * svg.viewBox.baseVal.width;
    const [left, right] = [Number(svg.dataset.left), Number(svg.dataset.right)];
    if (x < left || x > right) return;
    read(region, Math.floor(((x - left) / (right - left)) * length(broad(region))));
  });

  document.addEventListener("keydown", (event) => {
    const region = regionOf(event);
    const svg = broad(region);
    const last = svg ? count(svg) - 1 : 0;
    const now = places.get(region ?? document) ?? last + 1;
    const next = { ArrowLeft: now - 1, ArrowRight: now + 1, Home: 0, End: last }[event.key];
    if (!svg || next === undefined || event.altKey || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    read(region, next);
  });
})();
