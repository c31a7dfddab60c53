// The recipe as a form: built from what a recipe can say, so that it can say all of it.

const opened = new Set(["chain"]);
const element = (tag, properties = {}, ...inside) => {
  const made = Object.assign(document.createElement(tag), properties);
  made.append(...inside);
  return made;
};
const plain = (name) => name.replaceAll("_", " ");
const dig = (path) => path.reduce((value, key) => value?.[key], work.recipe);
const written = (value, kind) => value === undefined || value === null ? ""
  : kind === "names" ? value.join(", ") : typeof value === "object" ? JSON.stringify(value)
  : String(value);
function understood(text, { kind, name, choices }) {
  if (kind === "names") return text.split(",").map((each) => each.trim()).filter(Boolean);
  if (name === "shape") return text in meta.shapes ? text : JSON.parse(text);
  if (kind === "number" || (choices && typeof choices[0] === "number")) {
    if (Number.isNaN(Number(text))) throw new Error(`${text} is no number`);
    return Number(text);
  }
  return kind === "other" ? JSON.parse(text) : text;
}
function change(path, field, text) {
  try {
    if (text.trim() === "") {
      if (dig(path) !== undefined) edit([["remove", path]], plain(field.name));
      return;
    }
    edit([["set", path, understood(text, field)]], plain(field.name));
  } catch (error) {
    say(`${plain(field.name)}: ${error.message}`, true);
    drawForms(true);
  }
}
let lists = 0;
function lineOf(field, path) {
  const value = dig(path), id = `field:${path.join(".")}`;
  const box = element("input", { id, type: "text", value: written(value, field.kind),
    placeholder: written(field.usual, field.kind), title: field.help, autocomplete: "off" });
  const label = element("label", { htmlFor: id, textContent: plain(field.name), title: field.help });
  const line = element("div", { className: "line" }, label, box);
  if (field.choices) {
    const list = element("datalist", { id: `choices${lists++}` },
      ...field.choices.map((each) => element("option", { value: each })));
    box.setAttribute("list", list.id);
    line.append(list);
  }
  box.addEventListener("change", () => change(path, field, box.value));
  box.addEventListener("keydown", (event) => {
    const step = { ArrowUp: 1, ArrowDown: -1 }[event.key];
    if (!step || field.kind !== "number" || Number.isNaN(Number(box.value || box.placeholder))) return;
    event.preventDefault();
    const unit = Number.isInteger(field.usual) && field.usual > 1 ? 1 : 0.05;
    box.value = rounded(Number(box.value || box.placeholder) + step * unit);
    change(path, field, box.value);
  });
  return line;
}
function folding(key, title, said, inside, chosen = false) {
  const made = element("details", { open: opened.has(key), className: chosen ? "chosen" : "" },
    element("summary", {}, title, " ", element("span", { className: "said", textContent: said })));
  const fill = () => { if (made.open && made.children.length === 1) made.append(...inside()); };
  fill();  // what is folded is not built
  made.addEventListener("toggle", () => {
    if (made.open) opened.add(key);
    else opened.delete(key);
    fill();
  });
  return made;
}
function fieldsOf(form, path) {
  return form.map((field) => {
    const here = [...path, field.name], key = here.join(".");
    if (field.kind === "table") {
      const value = dig(here);
      return folding(key, plain(field.name), value ? Object.keys(value).map(plain).join(", ") : "as usual",
        () => fieldsOf(field.form, here));
    }
    if (field.kind === "tables") return tablesOf(field, here);
    return lineOf(field, here);
  });
}
const fresh = {
  rigid: () => ({ parts: [meta.parts.at(-1)] }),
  attach: () => ({ parts: [meta.parts.at(-1)] }),
  lock: () => ({ near: joints[state.joint].name, radius: rounded(whole.distance / 30) }),
  motion: () => ({ joints: [joints[state.joint].name], bend: 60 }),
  rows: (path) => {
    const chain = work.chains.find(({ rule }) => path[0] === "chain" && rule === path[1]);
    const last = dig(path)?.at(-1);
    return last ? { at: last.at + 1, weights: last.weights }
      : { at: 0, weights: (chain?.active ?? [0]).map((_, k) => Number(k === 0)) };
  },
};
function tablesOf(field, path) {
  const key = path.join("."), entries = dig(path) ?? [];
  return folding(key, plain(field.name), entries.length ? `${entries.length}` : "none", () => [
    ...entries.map((entry, number) => {
      const here = [...path, number], said = Object.values(entry)
        .filter((each) => typeof each !== "object" || Array.isArray(each)).map(String).join(" · ");
      const chains = field.name === "chain"
        ? work.chains.filter(({ rule }) => rule === number) : [];
      const chosen = chains.some((chain) => chain.joints.includes(state.joint));
      return folding(here.join("."), `${number + 1}.`, said.slice(0, 60), () => [
        ...(field.name === "chain" ? chainButtons(number, chains, entries) : []),
        ...fieldsOf(field.form, here),
        element("div", { className: "buttons" }, element("button", { textContent: "Take away",
          onclick: () => edit([["remove", here]], `one ${plain(field.name)} less`) })),
      ], chosen);
    }),
    ...(field.name === "chain" ? withoutRule() : [element("button", { textContent: "One more",
      onclick: () => {
        opened.add([...path, entries.length].join("."));
        edit([["insert", [...path, entries.length], fresh[field.name](path)]],
          `one ${plain(field.name)} more`);
      } })]),
  ]);
}
function chainButtons(number, chains, entries) {
  const chain = chains.find(({ joints: inside }) => inside.includes(state.joint));
  const at = chain?.joints.indexOf(state.joint) ?? -1, row = element("div", { className: "buttons" });
  const names = (list) => list.map((k) => joints[k].name);
  if (chains.length) row.append(element("button", { textContent: "Show",
    onclick: () => pickJoint(chains[0].joints[0]) }));
  if (at > 0) row.append(element("button", { textContent: `Split before ${joints[state.joint].name}`,
    onclick: () => {
      const others = chains.filter((each) => each !== chain).flatMap((each) => names(each.joints));
      edit([["set", ["chain", number, "joints"], [...others, ...names(chain.joints.slice(0, at))]],
        ["insert", ["chain", number + 1],
          { ...structuredClone(entries[number]), joints: names(chain.joints.slice(at)) }]],
      `${chain.name} split`);
    } }));
  if (entries[number + 1]) row.append(element("button", { textContent: "Join with the next",
    onclick: () => edit([["set", ["chain", number, "joints"],
      [...entries[number].joints, ...entries[number + 1].joints]], ["remove", ["chain", number + 1]]],
    "two chains joined") }));
  return [row];
}
function withoutRule() {
  const free = work.chains.filter(({ rule }) => rule < 0);
  if (!free.length) return [];
  const row = element("div", { className: "buttons" });
  row.append("Go by what holds for all: ", ...free.map((chain) => element("button", {
    textContent: chain.name, title: "Give it a rule of its own", onclick: () => {
      const number = work.recipe.chain?.length ?? 0;
      opened.add(`chain.${number}`);
      pickJoint(chain.joints[0]);
      edit([["insert", ["chain", number], { joints: chain.joints.map((k) => joints[k].name) }]],
        `a rule for ${chain.name}`);
    } })));
  return [row];
}
let formed = "";
function drawForms(anyway = false) {
  if (!work) return;
  const now = JSON.stringify([work.recipe, work.chains.map(({ rule, joints: of }) => [rule, of]),
    state.joint]);
  if ((!anyway && now === formed) || limb.stroke) return;
  formed = now;
  const focus = document.activeElement?.id, scroll = $("sheet").scrollTop;
  $("chapters").replaceChildren(...fieldsOf(meta.form, []));
  if (focus?.startsWith("field:")) document.getElementById(focus)?.focus();
  $("sheet").scrollTop = scroll;
  if (document.activeElement !== $("text")) $("text").value = work.text;
}
$("put_text").addEventListener("click", () => {
  put({ do: "text", text: $("text").value });
});

// ---- begin ----
const kept = JSON.parse(sessionStorage.getItem("autoweight") ?? "null");
sessionStorage.removeItem("autoweight");
if (kept) {
  Object.assign(eye, kept.eye);
  for (const each of kept.open) opened.add(each);
  const joint = joints.findIndex(({ name }) => name === kept.joint);
  if (joint >= 0) pickJoint(joint);
  showFrame(Math.min(kept.frame, frames));
  night(kept.night);
}
Object.assign(window.autoweight, { lags, edit, send, work: () => work, shown: () => shown,
  marks: () => marks, columns, stroke, eye });
connect();
