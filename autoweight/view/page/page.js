// ---- the side column ----
function shorten(value) {
  return Number(value.toPrecision(3)).toString();
}
function scale() {
  const [from, to] = range();
  const ratio = (value) => `${shorten(2 ** value)}× or ${shorten(2 ** -value)}×`;
  const unit = state.mode === 1 ? (value) => (value ? ratio(value) : "1×") : shorten;
  $("low").textContent = unit(from);
  $("middle").textContent = unit((from + to) / 2);
  $("high").textContent = unit(to);
}
const options = [];
function listJoints() {
  const list = $("joints");
  for (const chain of meta.chains) {
    const title = document.createElement("h2");
    title.textContent = chain.name;
    list.append(title);
    for (const number of chain.joints) {
      const row = document.createElement("div");
      row.setAttribute("role", "option");
      row.id = `joint${number}`;
      const total = document.createElement("small");
      total.textContent = joints[number].vertices;
      row.append(joints[number].name, total);
      row.addEventListener("click", () => pickJoint(number));
      list.append(row);
      options.push({ number, row, title });
    }
  }
}
const whenPicked = [];  // what else is to follow when another joint is picked
function pickJoint(number) {
  state.joint = number;
  for (const { number: each, row } of options)
    row.setAttribute("aria-selected", each === number);
  const row = $(`joint${number}`);
  row.scrollIntoView({ block: "nearest" });
  $("joints").setAttribute("aria-activedescendant", row.id);
  $("turned").textContent = joints[number].name;
  const turn = state.turns.get(number) ?? [0, 0, 0];
  for (const slider of document.querySelectorAll("#turn input")) {
    slider.value = turn[slider.dataset.axis];
    slider.nextElementSibling.textContent = slider.value;
  }
  for (const follow of whenPicked) follow();
  redraw();
}
function pickVertex(number) {
  if (!(number >= 0 && number < count)) return;
  state.vertex = number;
  $("vertex").value = number;
  const { span, joint, weight } = weightings.at(-1);
  $("bars").replaceChildren(...Array.from({ length: span[2 * number + 1] }, (_, k) => {
    const at = span[2 * number] + k;
    const [name, room, bar, figure] = ["button", "div", "i", "b"].map((tag) =>
      document.createElement(tag));
    name.textContent = joints[joint[at]].name;
    name.addEventListener("click", () => pickJoint(joint[at]));
    bar.style.cssText = `display:block;width:${100 * weight[at]}%`;
    room.append(bar);
    figure.textContent = weight[at].toFixed(4);
    return [name, room, figure];
  }).flat());
}
function showFrame(number) {
  state.frame = number;
  $("frame").value = number;
  $("pose").textContent = number ? `${number} of ${frames}: ${meta.clip.labels[number - 1]}` : "neutral";
  redraw();
}
function outward(at, vertex) {
  const sum = [0, 0, 0];
  for (let k = 0; k < faces.length; k += 3) {
    const corners = faces.subarray(k, k + 3);
    if (!corners.includes(vertex)) continue;
    const [a, b, c] = Array.from(corners, (each) => at.subarray(3 * each, 3 * each + 3));
    const [u, v] = [b, c].map((each) => [0, 1, 2].map((i) => each[i] - a[i]));
    for (let i = 0; i < 3; i++)
      sum[i] += u[(i + 1) % 3] * v[(i + 2) % 3] - u[(i + 2) % 3] * v[(i + 1) % 3];
  }
  const length = Math.hypot(...sum);
  return length > 0 ? sum.map((each) => each / length) : [0, 0, 1];
}
function fly(target, distance, from = camera().back) {
  const old = structuredClone(eye), begun = performance.now();
  const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
  const yaw = Math.atan2(from[0], from[2]), pitch = Math.max(-1, Math.min(1, Math.asin(from[1])));
  const way = Math.atan2(Math.sin(yaw - old.yaw), Math.cos(yaw - old.yaw));  // the short way round
  (function step(now) {
    const t = still ? 1 : Math.min(1, (now - begun) / 400), s = t * t * (3 - 2 * t);
    eye.target = old.target.map((each, k) => each + s * (target[k] - each));
    eye.distance = old.distance + s * (distance - old.distance);
    eye.yaw = old.yaw + s * way;
    eye.pitch = old.pitch + s * (pitch - old.pitch);
    redraw();
    if (t < 1) requestAnimationFrame(step);
  })(begun);
}
function listPlaces(places) {
  $("worst").hidden = places.length === 0;
  $("places").replaceChildren(...places.map((place) => {
    const item = document.createElement("li"), button = document.createElement("button");
    button.textContent = place.text;
    button.addEventListener("click", () => {
      document.querySelector("#places .here")?.classList.remove("here");
      button.classList.add("here");
      $("find").value = "";  // or the joint may be among those that are not listed
      $("find").dispatchEvent(new Event("input"));
      if (place.joint >= 0) pickJoint(place.joint);
      if (place.frame >= 0) showFrame(place.frame + 1);
      pickVertex(place.vertex);
      const at = positions();
      fly(Array.from(at.subarray(3 * place.vertex, 3 * place.vertex + 3)), whole.distance / 5,
        outward(at, place.vertex));
    });
    item.append(button);
    return item;
  }));
}

// ---- mouse and keys ----
let held = null;
const fingers = new Map();
const spread = () => {
  const [a, b] = fingers.values();
  return Math.hypot(a.x - b.x, a.y - b.y);
};
const within = (event) => {
  const box = canvas.getBoundingClientRect();
  return [event.clientX - box.left, event.clientY - box.top];
};
function name(number, x, y) {
  if (state.near !== number) redraw();
  state.near = number;
  canvas.style.cursor = number < 0 ? "" : "pointer";
  $("named").hidden = number < 0;
  if (number < 0) return;
  $("named").textContent = joints[number].name;
  $("named").style.translate = `${Math.min(x + 12, canvas.clientWidth - 140)}px ${y - 28}px`;
}
canvas.addEventListener("pointerdown", (event) => {
  fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
  held = { x: event.clientX, y: event.clientY, moved: fingers.size > 1 };
  canvas.setPointerCapture(event.pointerId);
});
canvas.addEventListener("pointerleave", () => name(-1));
canvas.addEventListener("pointermove", (event) => {
  if (!held) return name(jointAt(...within(event)), ...within(event));
  if (fingers.size === 2) {
    const before = spread();
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    eye.distance *= before / Math.max(spread(), 1);
    return redraw();
  }
  const [dx, dy] = [event.clientX - held.x, event.clientY - held.y];
  if (Math.hypot(dx, dy) < 3 && !held.moved) return;
  Object.assign(held, { x: event.clientX, y: event.clientY, moved: true });
  if (event.shiftKey) {
    const { right, up } = camera(), step = eye.distance * 0.62 / Math.min(canvas.clientHeight, canvas.clientWidth);
    eye.target = eye.target.map((each, k) => each + step * (dy * up[k] - dx * right[k]));
  } else orbit(-dx * 0.008, dy * 0.008);
  redraw();
});
canvas.addEventListener("pointerup", (event) => {
  if (held && !held.moved) {
    const at = within(event), joint = jointAt(...at);
    if (joint >= 0) pickJoint(joint);
    else pickVertex(vertexAt(...at));
  }
});
for (const end of ["pointerup", "pointercancel"])
  canvas.addEventListener(end, (event) => {
    fingers.delete(event.pointerId);
    if (fingers.size === 0) held = null;
  });
canvas.addEventListener("wheel", (event) => {
  event.preventDefault();
  eye.distance *= Math.exp(event.deltaY * 0.001);
  redraw();
}, { passive: false });
function orbit(yaw, pitch) {
  eye.yaw += yaw;
  eye.pitch = Math.max(-1.5, Math.min(1.5, eye.pitch + pitch));
  redraw();
}
canvas.addEventListener("keydown", (event) => {
  const keys = { ArrowLeft: () => orbit(-0.1, 0), ArrowRight: () => orbit(0.1, 0),
    ArrowUp: () => orbit(0, 0.1), ArrowDown: () => orbit(0, -0.1),
    "+": () => { eye.distance *= 0.9; }, "-": () => { eye.distance /= 0.9; } };
  if (!(event.key in keys)) return;
  event.preventDefault();
  keys[event.key]();
  redraw();
});
$("joints").addEventListener("keydown", (event) => {
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  if (!step) return;
  event.preventDefault();
  const shown = options.filter(({ row }) => !row.hidden);
  const at = shown.findIndex(({ number }) => number === state.joint) + step;
  if (shown[at]) pickJoint(shown[at].number);
});
$("find").addEventListener("input", () => {
  const wanted = $("find").value.toLowerCase();
  const alive = new Set();
  for (const { number, row, title } of options) {
    row.hidden = !joints[number].name.toLowerCase().includes(wanted);
    row.style.display = row.hidden ? "none" : "";
    if (!row.hidden) alive.add(title);
  }
  for (const { title } of options) title.hidden = !alive.has(title);
});
$("find").addEventListener("keydown", (event) => {
  const first = options.find(({ row }) => !row.hidden);
  if (event.key === "Enter" && first) {
    pickJoint(first.number);
    $("joints").focus();
  }
});
document.addEventListener("keydown", (event) => {
  if (event.target.matches("input:not([type=range]):not([type=checkbox]), select")) return;
  const keys = { "/": () => $("find").focus(), " ": () => $("play").click(),
    ",": () => showFrame((state.frame + frames) % (frames + 1)),
    ".": () => showFrame((state.frame + 1) % (frames + 1)),
    "0": () => fly(whole.target, whole.distance), "j": () => $("skeleton").click() };
  if (!(event.key in keys) || (event.key === " " && event.target.matches("button, summary, input")))
    return;
  event.preventDefault();
  keys[event.key]();
});
$("vertex").addEventListener("input", () => pickVertex($("vertex").valueAsNumber));
$("vertex").max = count - 1;
$("frame").addEventListener("input", () => showFrame($("frame").valueAsNumber));
$("frame").max = frames;
$("divide").addEventListener("input", redraw);
$("play").disabled = !clip;
$("play").addEventListener("click", () => {
  state.playing = !state.playing;
  $("play").textContent = state.playing ? "Pause" : "Play";
});
$("rigid").addEventListener("change", () => { state.rigid = $("rigid").checked; redraw(); });
$("turn").addEventListener("input", (event) => {
  const turn = [...(state.turns.get(state.joint) ?? [0, 0, 0])];
  turn[event.target.dataset.axis] = event.target.valueAsNumber;
  event.target.nextElementSibling.textContent = event.target.value;
  state.turns.set(state.joint, turn);
  redraw();
});
$("skeleton").addEventListener("change", () => {
  state.skeleton = $("skeleton").checked;
  redraw();
});
$("neutral").addEventListener("click", () => {
  state.turns.clear();
  pickJoint(state.joint);
  showFrame(0);
});
$("layer").append(...["the joint's weight", "stretch of the surface",
  ...meta.layers.map(({ name }) => name)].map((name) => new Option(name)));
$("layer").addEventListener("change", () => {
  state.mode = Math.min(2, $("layer").selectedIndex);
  state.layer = Math.max(-1, $("layer").selectedIndex - 2);
  scale();
  redraw();
});
function night(on) {
  document.documentElement.classList.toggle("night", on);
  $("night").textContent = on ? "Day" : "Night";
  redraw();
}
$("night").addEventListener("click", () =>
  night(!document.documentElement.classList.contains("night")));

// ---- begin ----
$("title").textContent = meta.title;
$("facts").textContent =
  `${count} vertices, ${joints.length} joints, at most ${meta.most} influences a vertex`;
const ramp = $("ramp").getContext("2d");
ramp.putImageData(new ImageData(Uint8ClampedArray.from(meta.ramp), 256, 1), 0, 0);
$("split").hidden = weightings.length < 2;
$("before").textContent = weightings[0].name;
$("after").textContent = weightings.at(-1).name;
listJoints();
listPlaces(meta.places);
pickJoint(meta.joint);
showFrame(0);
scale();
night(matchMedia("(prefers-color-scheme: dark)").matches);

let last = 0, drawn = 0;
requestAnimationFrame(function loop(now) {
  if (state.playing && now - last > 1000 / meta.clip.rate) {
    last = now;
    showFrame(state.frame % frames + 1);
  }
  if (stale) drawn++;
  paint();
  requestAnimationFrame(loop);
});
// For whoever drives the page by script: the tests do.
window.autoweight = { positions, state, showFrame, pickJoint, pickVertex, drawn: () => drawn,
  smoothed: () => !smooth.rough, jointOnCanvas: onCanvas };
