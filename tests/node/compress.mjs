// Compresses a GLB file of one buffer: node compress.mjs IN.glb OUT.glb KIND, KIND one of draco,
// EXT_meshopt_compression and KHR_meshopt_compression. Prints what the decoders of the npm packages
// make of it: of a Draco stream its indices and attributes, by name, for each primitive; of meshopt
// the bytes of each buffer view. An accessor whose extras have a filter gets it.
import { readFileSync, writeFileSync } from "node:fs";
import draco3d from "draco3dgltf";
import { MeshoptDecoder, MeshoptEncoder } from "meshoptimizer";

const ARRAYS = {
  5120: Int8Array, 5121: Uint8Array, 5122: Int16Array, 5123: Uint16Array, 5125: Uint32Array,
  5126: Float32Array,
};
const WIDTHS = { SCALAR: 1, VEC2: 2, VEC3: 3, VEC4: 4, MAT4: 16 };
const [source, target, kind] = process.argv.slice(2);
const content = readFileSync(source);
const length = content.readUInt32LE(12);
const tree = JSON.parse(content.subarray(20, 20 + length).toString());
const bytes = content.subarray(28 + length);
const pieces = [];
let end = 0;

function append(data) {
  const start = end;
  pieces.push(data, Buffer.alloc((4 - (data.length % 4)) % 4));
  end += data.length + ((4 - (data.length % 4)) % 4);
  return start;
}

function values(number) {
  const accessor = tree.accessors[number];
  const view = tree.bufferViews[accessor.bufferView];
  const Kind = ARRAYS[accessor.componentType];
  const width = WIDTHS[accessor.type];
  const row = width * Kind.BYTES_PER_ELEMENT;
  const found = new Kind(accessor.count * width);
  for (let i = 0; i < accessor.count; i++) {
    const start = (view.byteOffset ?? 0) + (accessor.byteOffset ?? 0) + i * (view.byteStride ?? row);
    found.set(new Kind(bytes.buffer.slice(bytes.byteOffset + start, bytes.byteOffset + start + row)), i * width);
  }
  return found;
}

function use(name) {
  for (const key of ["extensionsUsed", "extensionsRequired"]) tree[key] = [...(tree[key] ?? []), name];
}

async function draco() {
  const name = "KHR_draco_mesh_compression";
  const encoding = await draco3d.createEncoderModule({});
  const decoding = await draco3d.createDecoderModule({});
  const report = [];
  const gone = new Set();
  const plain = new Set(tree.accessors.map((_, number) => number));
  for (const mesh of tree.meshes) {
    for (const primitive of mesh.primitives) {
      const encoder = new encoding.Encoder();
      const builder = new encoding.MeshBuilder();
      const built = new encoding.Mesh();
      const indices = Uint32Array.from(values(primitive.indices));
      builder.AddFacesToMesh(built, indices.length / 3, indices);
      const ids = {};
      const adders = {
        5121: "AddUInt8Attribute", 5123: "AddUInt16Attribute", 5126: "AddFloatAttribute",
      };
      for (const [attribute, number] of Object.entries(primitive.attributes)) {
        const { componentType, count, type } = tree.accessors[number];
        const as = { POSITION: "POSITION", NORMAL: "NORMAL" }[attribute] ?? "GENERIC";
        ids[attribute] = builder[adders[componentType]](
          built, encoding[as], count, WIDTHS[type], values(number));
        plain.delete(number);
      }
      plain.delete(primitive.indices);
      encoder.SetEncodingMethod(encoding.MESH_EDGEBREAKER_ENCODING);
      encoder.SetAttributeQuantization(encoding.POSITION, 14);
      encoder.SetAttributeQuantization(encoding.GENERIC, 12);
      encoder.SetTrackEncodedProperties(true);
      const out = new encoding.DracoInt8Array();
      const size = encoder.EncodeMeshToDracoBuffer(built, out);
      const stream = Buffer.alloc(size);
      for (let i = 0; i < size; i++) stream[i] = out.GetValue(i);

      const decoder = new decoding.Decoder();
      const mesh2 = new decoding.Mesh();
      const status = decoder.DecodeArrayToMesh(new Int8Array(stream), size, mesh2);
      if (!status.ok()) throw new Error(status.error_msg());
      const decoded = { indices: [] };
      const face = new decoding.DracoInt32Array();
      for (let i = 0; i < mesh2.num_faces(); i++) {
        decoder.GetFaceFromMesh(mesh2, i, face);
        decoded.indices.push(face.GetValue(0), face.GetValue(1), face.GetValue(2));
      }
      for (const [attribute, number] of Object.entries(primitive.attributes)) {
        const found = new decoding.DracoFloat32Array();
        const at = decoder.GetAttributeByUniqueId(mesh2, ids[attribute]);
        decoder.GetAttributeFloatForAllPoints(mesh2, at, found);
        decoded[attribute] = Array.from({ length: found.size() }, (_, i) => found.GetValue(i));
        const accessor = tree.accessors[number];
        accessor.count = mesh2.num_points();
        gone.add(number);
      }
      tree.accessors[primitive.indices].count = mesh2.num_faces() * 3;
      gone.add(primitive.indices);
      const start = append(stream);
      tree.bufferViews.push({ buffer: 0, byteOffset: start, byteLength: size });
      primitive.extensions = {
        [name]: { bufferView: tree.bufferViews.length - 1, attributes: ids },
      };
      report.push(decoded);
    }
  }
  const views = tree.bufferViews;
  const kept = [];
  for (const number of plain) {  // what is not in a stream stays as it was
    const view = { ...views[tree.accessors[number].bufferView] };
    view.byteOffset = append(bytes.subarray(view.byteOffset ?? 0, (view.byteOffset ?? 0) + view.byteLength));
    tree.accessors[number].bufferView = kept.push(view) - 1;
  }
  for (const number of gone) {
    delete tree.accessors[number].bufferView;
    delete tree.accessors[number].byteOffset;
  }
  for (const mesh of tree.meshes) {
    for (const primitive of mesh.primitives) {
      const said = primitive.extensions[name];
      said.bufferView = kept.push(views[said.bufferView]) - 1;
    }
  }
  tree.bufferViews = kept;
  tree.buffers = [{ byteLength: end }];
  use(name);
  return report;
}

async function meshopt(name) {
  await MeshoptEncoder.ready;
  await MeshoptDecoder.ready;
  const version = name.startsWith("KHR") ? 1 : 0;
  const indices = new Set(tree.meshes.flatMap((mesh) => mesh.primitives.map((each) => each.indices)));
  const decodedViews = [];
  let fallback = 0;
  tree.bufferViews.forEach((view, number) => {
    const start = view.byteOffset ?? 0;
    const data = Uint8Array.from(bytes.subarray(start, start + view.byteLength));
    const users = tree.accessors.flatMap((each, i) => (each.bufferView === number ? [i] : []));
    const accessor = tree.accessors[users[0]];
    const element = WIDTHS[accessor.type] * ARRAYS[accessor.componentType].BYTES_PER_ELEMENT;
    const isIndex = indices.has(users[0]);
    const mode = isIndex ? (number % 2 ? "TRIANGLES" : "INDICES") : "ATTRIBUTES";
    const filter = accessor.extras?.filter ?? "NONE";
    const stride = view.byteStride ?? element;
    if (!isIndex && (stride % 4 || stride > 256)) throw new Error(`view ${number} has rows of ${stride}`);
    const count = view.byteLength / stride;
    let stream = data;
    if (filter === "EXPONENTIAL") {
      stream = MeshoptEncoder.encodeFilterExp(new Float32Array(data.buffer), count, stride, 15);
    }
    const packed = MeshoptEncoder.encodeGltfBuffer(stream, count, stride, mode, version);
    const unpacked = new Uint8Array(count * stride);
    MeshoptDecoder.decodeGltfBuffer(unpacked, count, stride, packed, mode, filter);
    decodedViews.push([...unpacked]);
    const at = append(Buffer.from(packed));
    const extension = { buffer: 0, byteOffset: at, byteLength: packed.length, byteStride: stride, count, mode };
    if (filter !== "NONE") extension.filter = filter;
    Object.assign(view, { buffer: 1, byteOffset: fallback, extensions: { [name]: extension } });
    fallback += view.byteLength + ((4 - (view.byteLength % 4)) % 4);
  });
  tree.buffers = [
    { byteLength: end },
    { byteLength: fallback, extensions: { [name]: { fallback: true } } },
  ];
  use(name);
  return decodedViews;
}

const report = await (kind === "draco" ? draco() : meshopt(kind));
let text = Buffer.from(JSON.stringify(tree));
text = Buffer.concat([text, Buffer.alloc((4 - (text.length % 4)) % 4, " ")]);
const head = Buffer.alloc(20);
head.write("glTF");
[2, 28 + text.length + end, text.length].forEach((value, i) => head.writeUInt32LE(value, 4 + 4 * i));
head.write("JSON", 16);
const tail = Buffer.alloc(8);
tail.writeUInt32LE(end, 0);
tail.write("BIN\0", 4);
writeFileSync(target, Buffer.concat([head, text, tail, ...pieces]));
console.log(JSON.stringify(report));
