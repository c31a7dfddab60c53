// The recipe under the hand: what the server says comes in here, and edits go out.

// ---- what is known of the work ----
let work = null;             // the last state of the recipe that came
let marks = new Uint8Array(count);  // 1 some weights locked, 2 all, 3 all by painting
let along = null, limbOf = null;    // where along which limb each vertex is
let shown = { kind: 0, serial: 0 }; // whose weights are drawn
const columns = { now: [], saved: [] };
const lags = [];             // milliseconds from input to answer, and to the picture drawn
const weld = await blob("weld", Uint32Array), twin = await blob("twin", Int32Array);
for (const each of Object.values(columns))
  joints.forEach((_, k) => { each[k] = { vertices: new Uint32Array(), weights: new Float32Array() }; });

// ---- the line to the server ----
let line_out = null, alone = 0, sent = null, next = null;
function connect() {
  line_out = new WebSocket(new URL("talk", location.href.replace(/^http/, "ws")));
  line_out.binaryType = "arraybuffer";
  line_out.addEventListener("open", () => {
    if (alone) say("The line is back.");
    alone = 0;
    sent = next = null;
    document.body.classList.remove("alone");
  });
  line_out.addEventListener("message", ({ data }) =>
    typeof data === "string" ? hear(JSON.parse(data)) : receive(data));
  line_out.addEventListener("close", () => {
    document.body.classList.add("alone");
    if (!alone++) say("The line to autoweight is cut; trying again. Edits that were not saved "
      + "are kept, and taken up when tune is started again.", true);
    doing();
    setTimeout(connect, Math.min(5000, 300 * alone));
  });
}
function send(message) {
  if (line_out?.readyState !== WebSocket.OPEN) {
    say("There is no line to autoweight now; nothing was changed.", true);
    return false;
  }
  line_out.send(message instanceof Uint32Array ? message : JSON.stringify(message));
  return true;
}
// Of a moving hand only the newest edit travels, once the one before has been answered.
function edit(changes, label, stroke = null) {
  const message = { do: "edit", label, ...(stroke === null ? {} : { stroke }),
    changes: changes.map(([verb, path, value = null]) => [verb, path, value]) };
  if (stroke !== null && sent) next = { message, at: performance.now() };
  else put(message);
}
function put(message, at = performance.now()) {
  sent = send(message) ? { at } : null;
}
function putNext() {
  if (!next) return false;
  const { message, at } = next;
  next = null;
  put(message, at);
  return true;
}
let strokes = Math.floor(performance.timeOrigin) % 1e6 * 1000;
const stroke = () => ++strokes;

// ---- what comes in ----
function hear(message) {
  const does = {
    state: () => {
      work = message;
      for (const name of ["undo", "redo"]) {
        $(name).disabled = message[name] === null;
        $(name).title = message[name] ?? "";
      }
      $("save").title = `to ${message.saves}`;
      $("write").title = `to ${message.writes}`;
      $("save").classList.toggle("due", message.unsaved);
      if (!putNext()) sent = null;
      doing();
      limbChanged();
      drawForms();
    },
    said: () => say(message.text, message.alarm),
    decided: () => {
      $("decisions").replaceChildren(...message.lines.map((text) =>
        Object.assign(document.createElement("li"), { textContent: text })));
    },
    measuring: () => { $("worst").querySelector("summary").textContent = "Worst places: measuring"; },
    worst: () => {
      $("worst").querySelector("summary").textContent = "Worst places";
      listPlaces(message.places);
      $("worst").hidden = false;
    },
    saved: () => {
      columns.saved = [...columns.now];
      weightings[0].changed = true;
    },
    clash: () => { $("clash_text").textContent = message.text; $("clash").showModal(); },
    motion: () => changeMotion(0),
    again: () => {
      sessionStorage.setItem("autoweight", JSON.stringify({ eye, joint: joints[state.joint].name,
        frame: state.frame, open: [...opened], night:
          document.documentElement.classList.contains("night") }));
      location.reload();
    },
  };
  does[message.type]?.();
}
const SKETCH = 1, EXACT = 2, MARKS = 3, PLACES = 4, BEFORE = 5, FILE = 6;
function receive(buffer) {
  if (new Uint32Array(buffer, 0, 1)[0] === MARKS) {
    marks = new Uint8Array(buffer, 8);
    return showMarks();
  }
  const words = new Uint32Array(buffer);
  if (words[0] === PLACES) {
    along = new Float32Array(buffer, 8, words[1]);
    limbOf = new Int32Array(buffer, 8 + 4 * words[1], words[1]);
    limb.members.clear();
    return limbChanged();
  }
  const [kind, serial, many] = words, target = kind === BEFORE ? columns.saved : columns.now;
  let total = 0;
  for (let k = 0; k < many; k++) total += words[4 + 2 * k];
  let at = 3 + 2 * many;
  for (let k = 0; k < many; k++) {
    const [joint, length] = words.subarray(3 + 2 * k);
    target[joint] = { vertices: words.subarray(at, at + length),
      weights: new Float32Array(buffer, 4 * (at + total), length) };
    at += length;
  }
  redraw();
  if (kind === BEFORE) {
    weightings[0].changed = true;
    return;
  }
  shown = { kind, serial };
  weightings.at(-1).changed = true;
  doing();
  limbChanged();
  if (sent) timeDrawing(kind, sent.at, performance.now() - sent.at);
}
// A frame is handed on long before a slow machine has drawn it; a fence behind it tells when it has.
function timeDrawing(kind, since, answered) {
  requestAnimationFrame(() => requestAnimationFrame(() => {
    const fence = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0);
    gl.flush();
    (function look() {
      if (gl.getSyncParameter(fence, gl.SYNC_STATUS) !== gl.SIGNALED) return setTimeout(look, 4);
      gl.deleteSync(fence);
      lags.push({ kind, answered, lag: performance.now() - since });
    })();
  }));
}
// Of what comes between two pictures only the last is laid out.
beforeDrawing.push(() => {
  const [before, now] = weightings;
  if (before.changed) arrange(before, columns.saved);
  if (now.changed) {
    arrange(now, columns.now);
    for (const { number, row } of options)
      row.lastElementChild.textContent = columns.now[number].vertices.length;
    if (state.vertex !== null) pickVertex(state.vertex);
  }
  before.changed = now.changed = false;
  if (limb.changed) drawLimb();
});
// Columns to rows, heaviest first.
function arrange(weighting, from) {
  const counts = new Uint16Array(count), begin = new Uint32Array(count + 1);
  for (const { vertices } of from) for (let k = 0; k < vertices.length; k++) counts[vertices[k]]++;
  for (let v = 0; v < count; v++) begin[v + 1] = begin[v] + counts[v];
  const fill = begin.slice(), joint = new Uint16Array(begin[count]);
  const weight = new Float32Array(begin[count]);
  from.forEach(({ vertices, weights }, number) => {
    for (let k = 0; k < vertices.length; k++) {
      const v = vertices[k], value = weights[k];
      let at = fill[v]++;
      for (; at > begin[v] && weight[at - 1] < value; at--) {
        weight[at] = weight[at - 1];
        joint[at] = joint[at - 1];
      }
      weight[at] = value;
      joint[at] = number;
    }
  });
  weigh(weighting, { counts, joint, weight });
  if (weighting === weightings.at(-1)) {
    const most = counts.reduce((a, b) => Math.max(a, b), 0);
    $("facts").textContent =
      `${count} vertices, ${joints.length} joints, at most ${most} influences a vertex`;
  }
  redraw();
}
let saying = 0;
function say(text, alarm = false) {
  const said = $("said");
  clearTimeout(saying);
  said.hidden = !text;
  said.textContent = text;
  said.classList.toggle("alarm", alarm);
  if (!alarm) saying = setTimeout(() => { said.hidden = true; }, 6000);
}
$("said").addEventListener("click", () => say(""));
// What is written again unchanged would be laid out and drawn again.
function write(id, text) {
  if ($(id).textContent !== text) $(id).textContent = text;
}
function doing() {
  if (!work) return;
  const edits = work.unsaved ? "not saved" : "saved";
  let weights = "working out the weights";
  if (document.body.classList.contains("alone")) weights = "no line";
  else if (work.trouble) weights = "weights of an earlier recipe";
  else if (shown.kind === FILE)
    weights = `${work.weights ? "the file's" : "no"} weights; exact ones follow`;
  else if (shown.serial === work.serial)
    weights = shown.kind === EXACT ? "exact weights" : "sketch; exact weights follow";
  write("doing", `${edits} · ${weights}`);
}

// ---- buttons and keys ----
$("undo").addEventListener("click", () => send({ do: "undo" }));
$("redo").addEventListener("click", () => send({ do: "redo" }));
$("save").addEventListener("click", () => send({ do: "save" }));
$("write").addEventListener("click", () => { say("writing"); send({ do: "write" }); });
for (const button of $("clash").querySelectorAll("button"))
  button.addEventListener("click", () => {
    $("clash").close();
    if (button.value === "mine") send({ do: "save", over: true });
    if (button.value === "theirs") send({ do: "theirs" });
  });
document.addEventListener("keydown", (event) => {
  if (!event.ctrlKey && !event.metaKey) return;
  const typing = event.target.matches("textarea, input[type=text]");
  const keys = { s: "save", z: event.shiftKey ? "redo" : "undo", y: "redo" };
  const name = keys[event.key.toLowerCase()];
  if (!name || (typing && name !== "save")) return;
  event.preventDefault();
  if (!$(name).disabled) $(name).click();
});
addEventListener("beforeunload", (event) => {
  if (work?.unsaved && !sessionStorage.getItem("autoweight")) event.preventDefault();
});
$("compare").addEventListener("change", () => {
  $("split").hidden = !$("compare").checked;
  redraw();
});
$("split").hidden = true;
const motion = document.createElement("select");
motion.setAttribute("aria-label", "Motion");
motion.append(...meta.motions.map(({ name }) => new Option(name)));
$("pose").before(motion);
async function changeMotion(number) {
  clip = await blob(`clip${number}`, Float32Array);
  meta.clip = meta.motions[number];
  frames = meta.clip.frames;
  $("frame").max = frames;
  showFrame(Math.min(state.frame, frames));
}
motion.addEventListener("change", () => changeMotion(motion.selectedIndex));

// ---- the brush ----
const painting = { stroke: null, scene: null, links: null };
const shownMarks = new Float32Array(count);
function showMarks() {
  for (let v = 0; v < count; v++) shownMarks[v] = marks[v] >= 2 ? 1 : marks[v] / 2;
  putMarks();
}
function putMarks() {
  gl.bindBuffer(gl.ARRAY_BUFFER, markBuffer);
  gl.bufferSubData(gl.ARRAY_BUFFER, 0, shownMarks);
  redraw();
}
// Which places are joined by an edge, and which vertices are in one place, as lists in a row.
function links() {
  const lists = (pairs) => {
    const begin = new Uint32Array(count + 1);
    pairs((a) => { begin[a + 1]++; });
    for (let v = 0; v < count; v++) begin[v + 1] += begin[v];
    const fill = begin.slice(), list = new Uint32Array(begin[count]);
    pairs((a, b) => { list[fill[a]++] = b; });
    return { begin, list };
  };
  painting.links ??= {
    near: lists((put) => {
      for (let k = 0; k < faces.length; k++) {
        const a = weld[faces[k]], b = weld[faces[k - k % 3 + (k + 1) % 3]];
        put(a, b);
        put(b, a);
      }
    }),
    there: lists((put) => { for (let v = 0; v < count; v++) put(weld[v], v); }),
  };
  return painting.links;
}
// What is seen and where everything is, kept while neither eye nor pose nor weights change.
function scene() {
  const key = JSON.stringify([eye, state.frame, [...state.turns], canvas.width, canvas.height,
    shown.serial, shown.kind]);
  if (painting.scene?.key === key) return painting.scene;
  const at = positions();
  const ids = numbers((w, h) => {
    const bytes = new Uint8Array(4 * w * h);
    gl.readPixels(0, 0, w, h, gl.RGBA, gl.UNSIGNED_BYTE, bytes);
    return new Uint32Array(bytes.buffer);
  });
  painting.scene = { key, at, ids, width: canvas.width, height: canvas.height, view: camera().view };
  return painting.scene;
}
function dab(x, y) {
  const { at, ids, width, height, view } = painting.stroke.scene;
  const across = Math.round(x * devicePixelRatio);
  const down = height - 1 - Math.round(y * devicePixelRatio);
  const hit = ids[down * width + across] - 1;
  const size = $("brush_size").valueAsNumber, found = [];
  if (!(across >= 0 && across < width) || hit === undefined || hit < 0) return;
  const away = (v) => view[3] * at[3 * v] + view[7] * at[3 * v + 1] + view[11] * at[3 * v + 2]
    + view[15];
  if ($("through").checked) {
    const [w, h] = [canvas.clientWidth / 2, canvas.clientHeight / 2];
    for (let v = 0; v < count; v++) {
      const [a, b, c] = [at[3 * v], at[3 * v + 1], at[3 * v + 2]], depth = away(v);
      const right = (view[0] * a + view[4] * b + view[8] * c + view[12]) / depth * w + w - x;
      const below = h - (view[1] * a + view[5] * b + view[9] * c + view[13]) / depth * h - y;
      if (depth > 0 && right * right + below * below < size * size) found.push(v);
    }
  } else {
    // Along the surface, so that what is behind or beside it is not touched.
    const radius = size * away(hit) * 2 * Math.tan(0.3)
      / Math.min(canvas.clientWidth, canvas.clientHeight);
    const { near, there } = links(), begun = weld[hit], reached = new Set([begun]);
    const middle = at.subarray(3 * hit, 3 * hit + 3), speaker = (p) => there.list[there.begin[p]];
    for (const place of reached) {
      for (let k = there.begin[place]; k < there.begin[place + 1]; k++) found.push(there.list[k]);
      for (let k = near.begin[place]; k < near.begin[place + 1]; k++) {
        const v = 3 * speaker(near.list[k]);
        if (Math.hypot(at[v] - middle[0], at[v + 1] - middle[1], at[v + 2] - middle[2]) < radius)
          reached.add(near.list[k]);
      }
    }
  }
  const { touched, finished } = painting.stroke;
  const put = (v) => {
    if (v < 0 || touched.has(v)) return;
    touched.add(v);
    shownMarks[v] = finished ? 1 : marks[v] === 3 ? 0 : shownMarks[v];
  };
  for (const v of found) {
    put(v);
    if ($("both").checked) put(twin[v]);
  }
  putMarks();
}
const brushes = () => $("brushing").value !== "";
$("brushing").addEventListener("change", () => $("stage").classList.toggle("brushing", brushes()));
$("both").disabled = !meta.mirrored;
$("both").checked = meta.mirrored;
canvas.addEventListener("pointerdown", (event) => {
  if (!brushes() || event.button !== 0 || event.shiftKey || event.altKey) return;
  event.stopImmediatePropagation();
  if (!work?.weights && $("brushing").value === "1")
    return say("The rig has no weights yet that could be kept; write it, and tune what was written.",
      true);
  canvas.setPointerCapture(event.pointerId);
  send({ do: "hold" });
  painting.stroke = { scene: scene(), touched: new Set(), finished: $("brushing").value === "1" };
  dab(...within(event));
}, { capture: true });
canvas.addEventListener("pointermove", (event) => {
  if (!painting.stroke) return;
  event.stopImmediatePropagation();
  dab(...within(event));
}, { capture: true });
for (const name of ["pointerup", "pointercancel"])
  canvas.addEventListener(name, (event) => {
    if (!painting.stroke) return;
    event.stopImmediatePropagation();
    const { touched, finished } = painting.stroke;
    painting.stroke = null;
    if (touched.size) put(Uint32Array.from([Number(finished), ...touched]));
    if (!touched.size || !sent) showMarks();
    send({ do: "rest" });
  }, { capture: true });

// ---- the limb of the chosen joint ----
const SVG = "http://www.w3.org/2000/svg";
const limb = { stroke: null, changed: true, members: new Map() };
const limbChanged = () => { limb.changed = true; };
function membersOf(number) {
  if (!limb.members.has(number)) {
    const found = [];
    for (let v = 0; v < count; v++) if (limbOf[v] === number) found.push(v);
    limb.members.set(number, found);
  }
  return limb.members.get(number);
}
const chainOf = (joint) => work?.chains.findIndex((each) => each.joints.includes(joint)) ?? -1;
const saidOf = (chain) =>
  (chain.rule >= 0 ? work.recipe.chain[chain.rule].falloff : null) ?? work.recipe.falloff ?? {};
// A falloff of its own for a chain: what it goes by now, and the way to it in the recipe.
function tuneFalloff(chain, keys, value, label, stroke) {
  const changes = [];
  let rule = chain.rule;
  if (rule < 0) {
    rule = work.recipe.chain?.length ?? 0;
    changes.push(["insert", ["chain", rule], { joints: chain.joints.map((k) => joints[k].name) }]);
  }
  if (!work.recipe.chain?.[rule]?.falloff)
    changes.push(["set", ["chain", rule, "falloff"], { ...(work.recipe.falloff ?? {}) }]);
  changes.push(["set", ["chain", rule, "falloff", ...keys], value]);
  edit(changes, `${label} of ${chain.name}`, stroke);
}
function sides(chain, place) {
  const said = saidOf(chain), last = chain.active.length - 1;
  const ends = [place === 0 && ["start", said.start], place === last && ["end", said.end]];
  const scale = (toward) => {
    if (said.units !== "scene") return 1;
    const from = place + Number(chain.hangs >= 0), line = chain.stations;
    const gap = toward > 0 ? (line[from + 1] ?? 2 * line[from] - line[from - 1]) - line[from]
      : line[from] - (line[from - 1] ?? 2 * line[from] - line[from + 1]);
    return Math.abs(gap) || 1;
  };
  return [["toward_parent", -1], ["toward_child", 1]].map(([key, sign]) => {
    const from = (name, usual) => {
      for (const [end, table] of ends.filter(Boolean)) if (table?.[name] !== undefined)
        return [table[name], [end, name]];
      if (said[key]?.[name] !== undefined) return [said[key][name], [key, name]];
      return [said[name] ?? usual, $("apart").checked ? [key, name] : [name]];
    };
    const [reach, reachKeys] = from("reach", 1), [hold, holdKeys] = from("hold", 0);
    return { sign, scale: scale(sign), reach, reachKeys, hold, holdKeys };
  });
}
const pointsOf = (shape) => typeof shape === "object" ? shape
  : meta.shapes[shape ?? "smooth"].filter((_, k) => k % 4 === 0);
const rounded = (value) => Math.round(value * 1000) / 1000;
function make(tag, attributes, parent) {
  const made = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  parent.append(made);
  return made;
}
function drawLimb() {
  limb.changed = false;
  const svg = $("curve"), cloud = $("cloud"), number = chainOf(state.joint);
  if (!work || number < 0) return;
  const chain = work.chains[number], place = chain.active.indexOf(state.joint);
  const name = joints[state.joint].name;
  const bends = chain.method === "bands" || chain.method === "volume";
  const [width, height] = [svg.clientWidth, svg.clientHeight];
  const from = chain.hangs >= 0 ? -1 : 0, to = Math.max(chain.active.length, from + 1);
  const x = (value) => (value - from) / (to - from) * width, y = (value) => (1 - value) * height;
  cloud.width = width * devicePixelRatio;
  cloud.height = height * devicePixelRatio;
  // Thousands of dots and a few lines are quicker in memory, and one picture for the page.
  const pen = cloud.getContext("2d", { willReadFrequently: true });
  pen.scale(devicePixelRatio, devicePixelRatio);
  const style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(`--${name}`).trim();
  pen.fillStyle = colour("ink");
  pen.globalAlpha = 0.28;
  if (along && place >= 0) {
    const mine = new Float32Array(count), { vertices, weights } = columns.now[state.joint];
    for (let k = 0; k < vertices.length; k++) mine[vertices[k]] = weights[k];
    const members = membersOf(number), step = Math.max(1, Math.floor(members.length / 5000));
    for (let k = 0; k < members.length; k += step)
      pen.fillRect(x(along[members[k]]) - 1, y(mine[members[k]]) - 1, 2.2, 2.2);
  }
  pen.globalAlpha = 1;
  const path = (points, name, wide, dashes = []) => {
    pen.strokeStyle = colour(name);
    pen.lineWidth = wide;
    pen.setLineDash(dashes);
    pen.beginPath();
    for (const [a, b] of points) pen.lineTo(x(a), y(b));
    pen.stroke();
  };
  chain.active.forEach((_, k) => path([[k, 0], [k, 1]], "line", 1));
  chain.active.forEach((joint, k) => {
    if (!chain.curves) return;
    const points = chain.at.map((at, i) => [at, chain.curves[k][i]]);
    if (joint === state.joint) path(points, "ink", 1.6);
    else path(points, "faint", 1, [3, 3]);
  });
  const method = place < 0 ? "is skipped" : `by ${chain.method}`;
  write("limb_title", `${name} along ${chain.name}, ${method}`);
  $("use_bands").hidden = bends || place < 0;
  write("limb_told", place < 0 ? "A joint that is skipped has no weight."
    : !bends ? `Dots: measured weight. ${chain.method} does not go by a curve; bands and volume do.`
    : "Dots: measured weight. Line: what the curve asks. Drag its points; arrow keys move one.");
  const used = new Set();
  // Grips stay the same elements while they move, or they would lose the focus and the hand.
  const grip = (id, at, label, move) => {
    const [right, up] = at;
    let made = svg.querySelector(`[data-grip="${id}"]`);
    if (!made) {
      made = make("circle", { class: "grip", r: 6, tabindex: 0, role: "slider", "data-grip": id }, svg);
      made.addEventListener("pointerdown", (event) => {
        limb.stroke = { id: stroke(), of: made };
        send({ do: "hold" });
        svg.setPointerCapture(event.pointerId);
        made.focus();
        event.preventDefault();
      });
      made.addEventListener("keydown", (event) => {
        const step = { ArrowLeft: [-0.02, 0], ArrowRight: [0.02, 0], ArrowUp: [0, 0.02],
          ArrowDown: [0, -0.02] }[event.key];
        if (!step) return;
        event.preventDefault();
        limb.keys ??= stroke();
        made.move([made.at[0] + step[0], made.at[1] + step[1]], limb.keys);
      });
      made.addEventListener("blur", () => { limb.keys = null; });
    }
    for (const [name, value] of Object.entries({ cx: x(right), cy: y(up), "aria-label": label,
      "aria-valuenow": rounded(id.startsWith("row") ? up : right),
      "aria-valuetext": `${rounded(right)}, ${rounded(up)}` }))
      if (made.getAttribute(name) !== String(value)) made.setAttribute(name, value);
    Object.assign(made, { at, move });
    used.add(id);
  };
  if (bends && place >= 0) drawGrips(chain, place, grip, path);
  for (const each of svg.querySelectorAll(".grip")) if (!used.has(each.dataset.grip)) each.remove();
}
function drawGrips(chain, place, grip, path) {
  const name = joints[state.joint].name, said = saidOf(chain);
  if (said.rows?.length) {
    said.rows.forEach((row, k) => grip(`row${k}`, [row.at, row.weights[place] ?? 0],
      `weight of ${name} at ${row.at}`, ([, up], stroke) => {
        const weights = [...row.weights];
        weights[place] = rounded(Math.max(0, Math.min(1, up)));
        tuneFalloff(chain, ["rows", k, "weights"], weights, "a row", stroke);
      }));
    return;
  }
  const centre = place + chain.centre, shape = pointsOf(said.shape);
  const curve = typeof said.shape === "object" ? said.shape : meta.shapes[said.shape ?? "smooth"];
  for (const { sign, scale, reach, reachKeys, hold, holdKeys } of sides(chain, place)) {
    const out = (t) => centre + sign * (hold + t * (reach - hold)) / scale;
    path([[centre, 1], ...curve.map(([t, value]) => [out(t), value])], "mark", 2);
    const side = sign < 0 ? "toward the parent" : "toward the child";
    const least = 0.02 * scale;
    grip(`reach${sign}`, [out(1), 0], `reach ${side}`, ([right], stroke) =>
      tuneFalloff(chain, reachKeys,
        rounded(Math.max(hold + least, sign * (right - centre) * scale)), "reach", stroke));
    grip(`hold${sign}`, [out(0) + sign * 0.05, 1], `hold ${side}`, ([right], stroke) =>
      tuneFalloff(chain, holdKeys, rounded(Math.max(0, Math.min(reach - least,
        (sign * (right - centre) - 0.05) * scale))), "hold", stroke));
    shape.slice(1, -1).forEach(([t, value], k) => grip(`point${sign}_${k}`, [out(t), value],
      `point ${k + 1} ${side}`, ([right, up], stroke) => {
        const points = shape.map((each) => [...each]);
        const moved = (sign * (right - centre) * scale - hold) / (reach - hold);
        points[k + 1] = [
          rounded(Math.max(points[k][0] + 0.01, Math.min(points[k + 2][0] - 0.01, moved))),
          rounded(Math.max(0, Math.min(1, up)))];
        tuneFalloff(chain, ["shape"], points, "shape", stroke);
      }));
  }
  grip("centre", [centre, 0.06], "centre", ([right], stroke) =>
    tuneFalloff(chain, ["centre"], rounded(Math.max(0, Math.min(1, right - place))), "centre",
      stroke));
}
$("apart").addEventListener("change", limbChanged);
$("use_bands").addEventListener("click", () => {
  const chain = work.chains[chainOf(state.joint)];
  edit(chain.rule < 0
    ? [["insert", ["chain", work.recipe.chain?.length ?? 0],
      { joints: chain.joints.map((k) => joints[k].name), method: "bands" }]]
    : [["set", ["chain", chain.rule, "method"], "bands"]], `bands for ${chain.name}`);
});
$("curve").addEventListener("pointermove", (event) => {
  if (!limb.stroke) return;
  const box = $("curve").getBoundingClientRect(), chain = work.chains[chainOf(state.joint)];
  const from = chain.hangs >= 0 ? -1 : 0, to = Math.max(chain.active.length, from + 1);
  limb.stroke.of.move([from + (event.clientX - box.left) / box.width * (to - from),
    1 - (event.clientY - box.top) / box.height], limb.stroke.id);
});
function letGo() {
  if (!limb.stroke) return;
  limb.stroke = null;
  putNext();
  send({ do: "rest" });
  drawForms();
}
for (const name of ["pointerup", "pointercancel"])
  $("curve").addEventListener(name, letGo);
new ResizeObserver(limbChanged).observe($("curve"));
whenPicked.push(() => { letGo(); drawLimb(); drawForms(); });
$("night").addEventListener("click", limbChanged);
