// The character: loads it, skins it in a vertex shader and draws it with its joints.
// The shader walks each vertex's own list of influences in a texture, so their number is free.
// What is in the page beside it is in the scripts that follow in the same module.

const $ = (id) => document.getElementById(id);
const meta = JSON.parse($("meta").textContent);
const WIDTH = 2048; // texels in a row of the influence texture

// ---- matrices, column-major like glTF ----
const identity = () => Float32Array.of(1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1);
function times(a, b) {
  const out = new Float32Array(16);
  for (let c = 0; c < 4; c++)
    for (let r = 0; r < 4; r++)
      for (let k = 0; k < 4; k++) out[4 * c + r] += a[4 * k + r] * b[4 * c + k];
  return out;
}
function inverse(m) {
  const d = new DOMMatrix(Array.from(m)).invertSelf();
  return d.toFloat32Array();
}
function turned([x, y, z]) {
  // About x, then y, then z of the joint's own axes.
  return new DOMMatrix().rotateAxisAngleSelf(0, 0, 1, z).rotateAxisAngleSelf(0, 1, 0, y)
    .rotateAxisAngleSelf(1, 0, 0, x).toFloat32Array();
}
function quaternion(m) {
  const trace = m[0] + m[5] + m[10];
  let q;
  if (trace > 0) q = [trace + 1, m[6] - m[9], m[8] - m[2], m[1] - m[4]];
  else if (m[0] > m[5] && m[0] > m[10])
    q = [m[6] - m[9], 1 + m[0] - m[5] - m[10], m[4] + m[1], m[8] + m[2]];
  else if (m[5] > m[10]) q = [m[8] - m[2], m[4] + m[1], 1 + m[5] - m[0] - m[10], m[9] + m[6]];
  else q = [m[1] - m[4], m[8] + m[2], m[9] + m[6], 1 + m[10] - m[0] - m[5]];
  const length = Math.hypot(...q);
  return q.map((each) => each / length); // w, x, y, z
}
function dual([w, x, y, z], tx, ty, tz) {
  return [
    -0.5 * (tx * x + ty * y + tz * z), 0.5 * (tx * w + ty * z - tz * y),
    0.5 * (ty * w + tz * x - tx * z), 0.5 * (tz * w + tx * y - ty * x),
  ];
}

// ---- shaders ----
const VERTEX = `#version 300 es
precision highp float; precision highp int; precision highp sampler2D;
layout(location=0) in vec3 rest;
layout(location=1) in vec3 normal;
layout(location=2) in uvec2 span;
layout(location=3) in float shade;
layout(location=4) in float mark;
uniform sampler2D entries, bones;
uniform mat4 view;
uniform bool rigid, still;
out vec3 posed; out vec3 neutral; out vec3 facing; out float value; out float held;
flat out uint id;
vec4 bone(int row, int column) { return texelFetch(bones, ivec2(column, row), 0); }
vec3 turn(vec4 q, vec3 v) { return v + 2.0 * cross(q.yzw, cross(q.yzw, v) + q.x * v); }
void main() {
  mat4 blend = mat4(0.0);
  vec4 real = vec4(0.0), dual = vec4(0.0), lead = vec4(0.0);
  for (uint k = 0u; k < (still ? 0u : span.y); k++) {
    uint at = span.x + k;
    vec2 entry = texelFetch(entries, ivec2(at % ${WIDTH}u, at / ${WIDTH}u), 0).rg;
    int row = int(entry.r);
    if (rigid) {
      vec4 q = bone(row, 4);
      if (k == 0u) lead = q; // entries are sorted: the first is the heaviest
      float w = dot(q, lead) < 0.0 ? -entry.g : entry.g;
      real += w * q; dual += w * bone(row, 5);
    } else blend += entry.g * mat4(bone(row, 0), bone(row, 1), bone(row, 2), bone(row, 3));
  }
  if (still) {
    posed = rest;
    facing = normal;
  } else if (rigid) {
    float size = length(real); real /= size; dual /= size;
    posed = turn(real, rest)
      + 2.0 * (real.x * dual.yzw - dual.x * real.yzw + cross(real.yzw, dual.yzw));
    facing = turn(real, normal);
  } else {
    posed = (blend * vec4(rest, 1.0)).xyz;
    facing = mat3(blend) * normal;
  }
  neutral = rest;
  value = shade;
  held = mark;
  id = uint(gl_VertexID);
  gl_Position = view * vec4(posed, 1.0);
}`;
const FRAGMENT = `#version 300 es
precision highp float; precision highp int;
in vec3 posed; in vec3 neutral; in vec3 facing; in float value; in float held;
flat in uint id;
uniform sampler2D ramp;
uniform int mode;
uniform vec2 range;
uniform vec3 toward;
uniform bool picking;
out vec4 colour;
void main() {
  if (picking) {
    uint k = id + 1u;
    colour = vec4(k & 255u, (k >> 8) & 255u, (k >> 16) & 255u, k >> 24) / 255.0;
    return;
  }
  float shown = value;
  if (mode == 1) {
    float now = length(cross(dFdx(posed), dFdy(posed)));
    float then = length(cross(dFdx(neutral), dFdy(neutral)));
    shown = abs(log2(max(now, 1e-12) / max(then, 1e-12))); // twice and half are as bad
  }
  float t = clamp((shown - range.x) / (range.y - range.x), 0.0, 1.0);
  vec3 n = normalize(facing);
  // Lit from the reader's side and a little from above; a sheen keeps form in the dark colours.
  float lit = abs(dot(n, toward)), above = 0.5 + 0.5 * n.y;
  vec3 paint = texture(ramp, vec2((t * 255.0 + 0.5) / 256.0, 0.5)).rgb;
  // Fine lines over what is finished, whatever it is coloured by; sparser where it is in part.
  if (held > 0.25) {
    float at = mod(gl_FragCoord.x + gl_FragCoord.y, held > 0.75 ? 6.0 : 12.0);
    paint = mix(paint, vec3(0.16, 0.42, 0.45), at < 1.6 ? 0.85 : 0.0);
  }
  colour = vec4(paint * (0.55 + 0.35 * lit + 0.10 * above) + 0.10 * lit * lit * lit, 1.0);
}`;

// Bones are strips that narrow toward the child, joints are discs; sizes are in pixels, so that
// they are seen at any distance. Each is one instance of a strip of four corners.
const LINE_VERTEX = `#version 300 es
precision highp float;
layout(location=0) in vec3 from;
layout(location=1) in vec3 to;
layout(location=2) in vec3 size; // half-widths at both ends, and 1 for what is chosen
uniform mat4 view;
uniform vec2 half_screen;
out vec2 across; out float chosen; out float wide;
void main() {
  float end = float(gl_VertexID >> 1), side = float(gl_VertexID & 1) * 2.0 - 1.0;
  vec4 a = view * vec4(from, 1.0), b = view * vec4(to, 1.0);
  bool disc = from == to;
  wide = mix(size.x, size.y, end) + 1.5; // with a rim of paper
  vec2 way = (b.xy / b.w - a.xy / a.w) * half_screen;
  way = disc ? vec2(1.0, 0.0) : way / max(length(way), 1e-6);
  vec4 at = disc ? a : mix(a, b, end);
  vec2 off = side * vec2(-way.y, way.x) * wide;
  if (disc) off += (end * 2.0 - 1.0) * way * wide;
  across = disc ? vec2(end * 2.0 - 1.0, side) * wide : vec2(0.0, side * wide);
  chosen = size.z;
  gl_Position = at + vec4(off / half_screen * at.w, 0.0, 0.0);
}`;
const LINE_FRAGMENT = `#version 300 es
precision highp float;
in vec2 across; in float chosen; in float wide;
uniform vec3 ink, paper, mark;
uniform float strength;
out vec4 colour;
void main() {
  float off = length(across);
  if (off > wide) discard;
  vec3 core = chosen > 0.5 ? mark : ink;
  colour = vec4(mix(core, paper, smoothstep(wide - 1.8, wide - 0.8, off)), strength);
}`;

const canvas = $("body");
const gl = canvas.getContext("webgl2", { alpha: false, antialias: false });
function fail(message) {
  $("trouble").textContent = message;
  $("trouble").hidden = false;
  throw new Error(message);
}
if (!gl) fail("This browser has no WebGL 2, which this page draws with. Try another browser.");

function program(vertex, fragment, read = []) {
  const made = gl.createProgram();
  for (const [kind, text] of [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]]) {
    const shader = gl.createShader(kind);
    gl.shaderSource(shader, text);
    gl.compileShader(shader);
    if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) fail(gl.getShaderInfoLog(shader));
    gl.attachShader(made, shader);
  }
  if (read.length) gl.transformFeedbackVaryings(made, read, gl.SEPARATE_ATTRIBS);
  gl.linkProgram(made);
  if (!gl.getProgramParameter(made, gl.LINK_STATUS)) fail(gl.getProgramInfoLog(made));
  return made;
}
function texture(unit, internal, width, height, format, type, data) {
  const made = gl.createTexture();
  gl.activeTexture(gl.TEXTURE0 + unit);
  gl.bindTexture(gl.TEXTURE_2D, made);
  gl.texImage2D(gl.TEXTURE_2D, 0, internal, width, height, 0, format, type, data);
  for (const [key, value] of [
    [gl.TEXTURE_MIN_FILTER, gl.NEAREST], [gl.TEXTURE_MAG_FILTER, gl.NEAREST],
    [gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE], [gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE],
  ]) gl.texParameteri(gl.TEXTURE_2D, key, value);
  return made;
}
function attribute(location, size, data) {
  const buffer = gl.createBuffer();
  gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
  gl.bufferData(gl.ARRAY_BUFFER, data, gl.STATIC_DRAW);
  gl.enableVertexAttribArray(location);
  if (data instanceof Uint32Array) gl.vertexAttribIPointer(location, size, gl.UNSIGNED_INT, 0, 0);
  else if (data instanceof Int8Array) gl.vertexAttribPointer(location, size, gl.BYTE, true, 4, 0);
  else gl.vertexAttribPointer(location, size, gl.FLOAT, false, 0, 0);
  return buffer;
}
// Give a weighting its influences: how many each vertex has, and all of them, heaviest first.
function weigh(weighting, { counts, joint, weight }) {
  const span = new Uint32Array(2 * count);
  for (let v = 0, at = 0; v < count; at += counts[v++]) {
    span[2 * v] = at;
    span[2 * v + 1] = counts[v];
  }
  Object.assign(weighting, { span, joint, weight });
  gl.bindBuffer(gl.ARRAY_BUFFER, weighting.spans);
  gl.bufferSubData(gl.ARRAY_BUFFER, 0, span);
  const rows = Math.max(1, Math.ceil(weight.length / WIDTH));
  const pairs = new Float32Array(2 * WIDTH * rows);
  for (let k = 0; k < weight.length; k++) {
    pairs[2 * k] = joint[k];
    pairs[2 * k + 1] = weight[k];
  }
  weighting.shaded = "";
  if (weighting.entries) gl.deleteTexture(weighting.entries);
  weighting.entries = texture(0, gl.RG32F, WIDTH, rows, gl.RG, gl.FLOAT, pairs);
}

// ---- the rig ----
const rest = await blob("positions", Float32Array);
const normals = await blob("normals", Int8Array);
const faces = await blob("faces", Uint32Array);
let clip = meta.clip ? await blob("clip", Float32Array) : null;
const layers = await Promise.all(meta.layers.map((_, k) => blob(`layer${k}`, Float32Array)));
const count = rest.length / 3;
const joints = meta.joints;
let frames = meta.clip?.frames ?? 0; // pose 0 is the neutral one, 1 the first of the clip
const bindInverse = joints.map((each) => inverse(each.rest));
const restLocal = joints.map((each) =>
  each.parent < 0 ? Float32Array.from(each.rest) : times(bindInverse[each.parent], each.rest));

const weightings = await Promise.all(meta.weightings.map(async (name, k) => {
  const [counts, joint, weight] = await Promise.all([
    blob(`counts${k}`, Uint16Array), blob(`joint${k}`, Uint16Array),
    blob(`weight${k}`, Float32Array),
  ]);
  return { name, counts, joint, weight };
}));

const places = (of, names) =>
  Object.fromEntries(names.map((name) => [name, gl.getUniformLocation(of, name)]));
const liner = program(LINE_VERTEX, LINE_FRAGMENT);
const line = places(liner, ["view", "half_screen", "ink", "paper", "mark", "strength"]);
const shader = program(VERTEX, FRAGMENT, ["posed"]);
gl.useProgram(shader);
const uniform = places(shader,
  ["view", "mode", "rigid", "still", "range", "toward", "picking", "entries", "bones", "ramp"]);

const markBuffer = gl.createBuffer();
gl.bindBuffer(gl.ARRAY_BUFFER, markBuffer);
gl.bufferData(gl.ARRAY_BUFFER, new Float32Array(count), gl.DYNAMIC_DRAW);
for (const weighting of weightings) {
  weighting.vao = gl.createVertexArray();
  gl.bindVertexArray(weighting.vao);
  attribute(0, 3, rest);
  attribute(1, 3, normals);
  weighting.spans = attribute(2, 2, new Uint32Array(2 * count));
  weighting.shades = attribute(3, 1, new Float32Array(count));
  gl.bindBuffer(gl.ARRAY_BUFFER, markBuffer);
  gl.enableVertexAttribArray(4);
  gl.vertexAttribPointer(4, 1, gl.FLOAT, false, 0, 0);
  gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, gl.createBuffer());
  gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, faces, gl.STATIC_DRAW);
  weigh(weighting, weighting);
}
gl.bindVertexArray(null);
const bones = texture(1, gl.RGBA32F, 6, joints.length, gl.RGBA, gl.FLOAT, null);
texture(2, gl.RGBA8, 256, 1, gl.RGBA, gl.UNSIGNED_BYTE, Uint8Array.from(meta.ramp));
gl.uniform1i(uniform.entries, 0);
gl.uniform1i(uniform.bones, 1);
gl.uniform1i(uniform.ramp, 2);
gl.enable(gl.DEPTH_TEST);

// ---- what is shown ----
const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
for (let k = 0; k < rest.length; k++) {
  low[k % 3] = Math.min(low[k % 3], rest[k]);
  high[k % 3] = Math.max(high[k % 3], rest[k]);
}
const whole = { target: [0, 1, 2].map((k) => (low[k] + high[k]) / 2),
  distance: 1.35 * Math.hypot(...[0, 1, 2].map((k) => high[k] - low[k])) };
const eye = { yaw: 0.7, pitch: 0.35, ...structuredClone(whole) };
const state = { joint: 0, vertex: null, frame: 0, playing: false, rigid: false, mode: 0, layer: -1,
  turns: new Map(), skeleton: true, near: -1 };
let stale = true, asked = 0;
let standing = [];  // where each joint is in this pose, as a matrix
const redraw = () => { [stale, asked] = [true, performance.now()]; };
const beforeDrawing = [];  // what is laid out anew before the next picture, however often it changed
const layOut = () => { for (const each of beforeDrawing) each(); };
const still = () => state.frame === 0 && state.turns.size === 0;

function skinning() {
  const world = [];
  const rows = new Float32Array(24 * joints.length);
  joints.forEach((each, k) => {
    const from = 16 * ((state.frame - 1) * joints.length + k);
    let local = state.frame ? clip.subarray(from, from + 16) : restLocal[k];
    if (state.turns.has(k)) local = times(local, turned(state.turns.get(k)));
    world[k] = each.parent < 0 ? local : times(world[each.parent], local);
    const moved = times(world[k], bindInverse[k]);
    const q = quaternion(moved);
    rows.set(moved, 24 * k);
    rows.set(q, 24 * k + 16);
    rows.set(dual(q, moved[12], moved[13], moved[14]), 24 * k + 20);
  });
  standing = world;
  gl.activeTexture(gl.TEXTURE1);
  gl.bindTexture(gl.TEXTURE_2D, bones);
  gl.texSubImage2D(gl.TEXTURE_2D, 0, 0, 0, 6, joints.length, gl.RGBA, gl.FLOAT, rows);
}
function camera() {
  const [sy, cy, sp, cp] = [Math.sin(eye.yaw), Math.cos(eye.yaw), Math.sin(eye.pitch),
    Math.cos(eye.pitch)];
  const back = [sy * cp, sp, cy * cp], right = [cy, 0, -sy], up = [-sy * sp, cp, -cy * sp];
  const at = eye.target.map((each, k) => each + eye.distance * back[k]);
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const look = Float32Array.of(right[0], up[0], back[0], 0, right[1], up[1], back[1], 0,
    right[2], up[2], back[2], 0, -dot(right, at), -dot(up, at), -dot(back, at), 1);
  const [near, far] = [eye.distance / 100, eye.distance + 4 * whole.distance];
  // The narrower side of the canvas has the whole character.
  const aspect = canvas.width / canvas.height, focal = Math.min(1, aspect) / Math.tan(0.3);
  const lens = Float32Array.of(focal / aspect, 0, 0, 0, 0, focal, 0, 0,
    0, 0, (far + near) / (near - far), -1, 0, 0, 2 * far * near / (near - far), 0);
  return { view: times(lens, look), back, right, up };
}
// ---- the joints over the body ----
const FAINT = 0.5, CLEAR = 0.95, DISC = 3.2, CHOSEN = 6;
const lines = gl.createVertexArray(), lineBuffer = gl.createBuffer();
gl.bindVertexArray(lines);
gl.bindBuffer(gl.ARRAY_BUFFER, lineBuffer);
[0, 1, 2].forEach((location) => {
  gl.enableVertexAttribArray(location);
  gl.vertexAttribPointer(location, 3, gl.FLOAT, false, 36, 12 * location);
  gl.vertexAttribDivisor(location, 1);
});
gl.bindVertexArray(null);
const spot = (k) => standing[k].subarray(12, 15);
function drawSkeleton() {
  const rows = [];
  const marked = (k) => Number(k === state.joint || k === state.near);
  joints.forEach(({ parent }, k) => {
    if (parent >= 0) rows.push(...spot(parent), ...spot(k), 2.4, 0.7, marked(parent));
  });
  joints.forEach((_, k) => {
    const size = marked(k) ? CHOSEN : DISC;
    rows.push(...spot(k), ...spot(k), size, size, marked(k));
  });
  gl.useProgram(liner);
  gl.bindVertexArray(lines);
  gl.bindBuffer(gl.ARRAY_BUFFER, lineBuffer);
  gl.bufferData(gl.ARRAY_BUFFER, Float32Array.from(rows), gl.STREAM_DRAW);
  gl.uniformMatrix4fv(line.view, false, camera().view);
  gl.uniform2f(line.half_screen, canvas.width / devicePixelRatio / 2,
    canvas.height / devicePixelRatio / 2);
  for (const name of ["ink", "paper", "mark"]) gl.uniform3f(line[name], ...ink[name]);
  gl.enable(gl.BLEND);
  gl.blendFunc(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA);
  gl.depthMask(false);
  for (const [test, strength] of [[gl.GREATER, FAINT], [gl.LEQUAL, CLEAR]]) {
    gl.depthFunc(test);
    gl.uniform1f(line.strength, strength);
    gl.drawArraysInstanced(gl.TRIANGLE_STRIP, 0, 4, rows.length / 9);
  }
  gl.depthMask(true);
  gl.depthFunc(gl.LESS);
  gl.disable(gl.BLEND);
  gl.useProgram(shader);
}
// Where a joint is drawn on the canvas, and how far from the eye.
function onCanvas(joint) {
  const { view } = camera(), [a, b, c] = spot(joint);
  const [x, y, away] = [0, 1, 3].map((r) =>
    view[r] * a + view[4 + r] * b + view[8 + r] * c + view[12 + r]);
  return [(x / away + 1) / 2 * canvas.clientWidth, (1 - y / away) / 2 * canvas.clientHeight, away];
}
// The joint drawn at a place of the canvas; of several the one nearest to the place.
function jointAt(x, y) {
  let found = -1, nearest = 9;
  if (!state.skeleton) return found;
  joints.forEach((_, joint) => {
    const [right, down, away] = onCanvas(joint), off = Math.hypot(right - x, down - y);
    if (away > 0 && off < nearest) [found, nearest] = [joint, off];
  });
  return found;
}

let ink = {};
function colours() {
  const style = getComputedStyle(document.documentElement);
  ink = Object.fromEntries(["ink", "paper", "mark"].map((name) => {
    const hex = style.getPropertyValue(`--${name}`).trim();
    return [name, [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16) / 255)];
  }));
}
// What the vertices are coloured by: how much the chosen joint has of each, or a layer.
function shade(weighting) {
  const key = state.layer < 0 ? `joint ${state.joint}` : `layer ${state.layer}`;
  if (weighting.shaded === key) return weighting.shade;
  weighting.shaded = key;
  if (state.layer >= 0) weighting.shade = layers[state.layer];
  else {
    const { span, joint, weight } = weighting, found = new Float32Array(count);
    for (let v = 0; v < count; v++)
      for (let k = span[2 * v], end = k + span[2 * v + 1]; k < end; k++)
        if (joint[k] === state.joint) found[v] = weight[k];
    weighting.shade = found;
  }
  gl.bindBuffer(gl.ARRAY_BUFFER, weighting.shades);
  gl.bufferSubData(gl.ARRAY_BUFFER, 0, weighting.shade);
  return weighting.shade;
}
function draw(weighting, picking = false) {
  const { view, back } = camera();
  shade(weighting);
  gl.activeTexture(gl.TEXTURE0);
  gl.bindTexture(gl.TEXTURE_2D, weighting.entries);
  gl.bindVertexArray(weighting.vao);
  gl.uniformMatrix4fv(uniform.view, false, view);
  gl.uniform1i(uniform.mode, state.mode);
  gl.uniform1i(uniform.rigid, state.rigid);
  gl.uniform1i(uniform.still, still());
  gl.uniform2f(uniform.range, ...range());
  gl.uniform3f(uniform.toward, ...back);
  gl.uniform1i(uniform.picking, picking);
  gl.drawElements(gl.TRIANGLES, faces.length, gl.UNSIGNED_INT, 0);
}
function range() {
  if (state.mode === 0) return [0, 1];
  if (state.mode === 1) return [0, 1];
  return meta.layers[state.layer].range;
}
// Edges are smoothed. Where that takes long, as it does by a processor, they are so once nothing
// moves: under the hand a picture in time is worth more.
const SLOW = 50, CALM = 250;  // milliseconds
const smooth = { many: gl.createFramebuffer(), one: gl.createFramebuffer(), buffers: [],
  slow: false, rough: false, fence: null, begun: 0 };
let pressed = false;
addEventListener("pointerdown", () => { pressed = true; }, { capture: true });
for (const name of ["pointerup", "pointercancel"])
  addEventListener(name, () => { pressed = false; }, { capture: true });
function resizeSmooth(size) {
  for (const buffer of smooth.buffers) gl.deleteRenderbuffer(buffer);
  // Samples become a picture in a buffer of the same format; the canvas, without alpha, has another.
  smooth.buffers = [[smooth.many, gl.COLOR_ATTACHMENT0, gl.RGBA8, 4],
    [smooth.many, gl.DEPTH_ATTACHMENT, gl.DEPTH_COMPONENT24, 4],
    [smooth.one, gl.COLOR_ATTACHMENT0, gl.RGBA8, 0]].map(([frame, place, format, samples]) => {
    const buffer = gl.createRenderbuffer();
    gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
    gl.bindRenderbuffer(gl.RENDERBUFFER, buffer);
    gl.renderbufferStorageMultisample(gl.RENDERBUFFER, samples, format, ...size);
    gl.framebufferRenderbuffer(gl.FRAMEBUFFER, place, gl.RENDERBUFFER, buffer);
    return buffer;
  });
}
function timed(now) {
  if (!smooth.fence) return;
  if (gl.getSyncParameter(smooth.fence, gl.SYNC_STATUS) !== gl.SIGNALED) return;
  gl.deleteSync(smooth.fence);
  smooth.fence = null;
  smooth.slow = now - smooth.begun > SLOW;
}
function paint() {
  const now = performance.now();
  timed(now);
  layOut();
  const moving = pressed || state.playing || now - asked < CALM;
  if (smooth.rough && !moving) stale = true;
  const size = [canvas.clientWidth, canvas.clientHeight].map((each) =>
    Math.max(1, Math.round(each * devicePixelRatio)));
  if (!smooth.buffers.length || canvas.width !== size[0] || canvas.height !== size[1]) {
    [canvas.width, canvas.height] = size;
    resizeSmooth(size);
    stale = true;
  }
  if (!stale) return;
  stale = false;
  smooth.rough = smooth.slow && moving;
  gl.bindFramebuffer(gl.FRAMEBUFFER, smooth.rough ? null : smooth.many);
  skinning();
  colours();
  gl.viewport(0, 0, ...size);
  gl.disable(gl.SCISSOR_TEST);
  gl.clearColor(...ink.paper, 1);
  gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
  const cut = !$("split").hidden ? Math.round(size[0] * $("divide").value) : 0;
  gl.enable(gl.SCISSOR_TEST);
  if (cut) {
    gl.scissor(0, 0, cut, size[1]);
    draw(weightings[0]);
  }
  gl.scissor(cut, 0, size[0] - cut, size[1]);
  draw(weightings.at(-1));
  gl.disable(gl.SCISSOR_TEST);
  if (state.skeleton) drawSkeleton();
  if (smooth.rough) return;
  for (const [from, to] of [[smooth.many, smooth.one], [smooth.one, null]]) {
    gl.bindFramebuffer(gl.READ_FRAMEBUFFER, from);
    gl.bindFramebuffer(gl.DRAW_FRAMEBUFFER, to);
    gl.blitFramebuffer(0, 0, ...size, 0, 0, ...size, gl.COLOR_BUFFER_BIT, gl.NEAREST);
  }
  if (smooth.fence) return;
  smooth.fence = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0);
  smooth.begun = now;
  gl.flush();
}

// Where the last weighting puts every vertex, read back from the shader that draws it.
function positions() {
  layOut();
  skinning();
  const buffer = gl.createBuffer(), feedback = gl.createTransformFeedback();
  gl.bindBuffer(gl.TRANSFORM_FEEDBACK_BUFFER, buffer);
  gl.bufferData(gl.TRANSFORM_FEEDBACK_BUFFER, 12 * count, gl.STREAM_READ);
  gl.bindTransformFeedback(gl.TRANSFORM_FEEDBACK, feedback);
  gl.bindBufferBase(gl.TRANSFORM_FEEDBACK_BUFFER, 0, buffer);
  const weighting = weightings.at(-1);
  gl.activeTexture(gl.TEXTURE0);
  gl.bindTexture(gl.TEXTURE_2D, weighting.entries);
  gl.bindVertexArray(weighting.vao);
  gl.uniform1i(uniform.rigid, state.rigid);
  gl.uniform1i(uniform.still, still());
  gl.enable(gl.RASTERIZER_DISCARD);
  gl.beginTransformFeedback(gl.POINTS);
  gl.drawArrays(gl.POINTS, 0, count);
  gl.endTransformFeedback();
  gl.disable(gl.RASTERIZER_DISCARD);
  gl.bindTransformFeedback(gl.TRANSFORM_FEEDBACK, null);
  const out = new Float32Array(3 * count);
  gl.bindBuffer(gl.TRANSFORM_FEEDBACK_BUFFER, buffer);
  gl.getBufferSubData(gl.TRANSFORM_FEEDBACK_BUFFER, 0, out);
  gl.bindBuffer(gl.TRANSFORM_FEEDBACK_BUFFER, null);
  gl.deleteBuffer(buffer);
  gl.deleteTransformFeedback(feedback);
  return out;
}
// Draw the number of a vertex of every face instead of a colour, and read some of it.
function numbers(read) {
  layOut();
  const [w, h] = [canvas.width, canvas.height];
  const target = gl.createFramebuffer(), depth = gl.createRenderbuffer();
  const ids = texture(3, gl.RGBA8, w, h, gl.RGBA, gl.UNSIGNED_BYTE, null);
  gl.bindFramebuffer(gl.FRAMEBUFFER, target);
  gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, ids, 0);
  gl.bindRenderbuffer(gl.RENDERBUFFER, depth);
  gl.renderbufferStorage(gl.RENDERBUFFER, gl.DEPTH_COMPONENT24, w, h);
  gl.framebufferRenderbuffer(gl.FRAMEBUFFER, gl.DEPTH_ATTACHMENT, gl.RENDERBUFFER, depth);
  gl.viewport(0, 0, w, h);
  gl.clearColor(0, 0, 0, 0);
  gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
  draw(weightings.at(-1), true);
  const found = read(w, h);
  gl.bindFramebuffer(gl.FRAMEBUFFER, null);
  gl.deleteFramebuffer(target);
  gl.deleteRenderbuffer(depth);
  gl.deleteTexture(ids);
  redraw();
  return found; // 0 for none, else one more than the vertex
}
function vertexAt(x, y) {
  const pixel = new Uint8Array(4);
  numbers((_, h) => gl.readPixels(Math.round(x * devicePixelRatio),
    h - 1 - Math.round(y * devicePixelRatio), 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, pixel));
  return new DataView(pixel.buffer).getUint32(0, true) - 1;
}
