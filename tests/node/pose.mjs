// Prints where three.js puts the vertices of the skinned meshes of a file at a time of its first
// animation: [[x, y, z, ...], ...], in the scene, a list for each primitive in scene order.
import { readFileSync } from "node:fs";
import { AnimationMixer, Vector3 } from "three";
import { GLTFLoader } from "three/examples/jsm/loaders/GLTFLoader.js";

globalThis.self = globalThis;
const bytes = readFileSync(process.argv[2]);
const data = bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.byteLength);
const file = await new GLTFLoader().parseAsync(data, "");
if (file.animations.length > 0) {
  const mixer = new AnimationMixer(file.scene);
  mixer.clipAction(file.animations[0]).play();
  mixer.setTime(Number(process.argv[3] ?? 0));
}
file.scene.updateMatrixWorld(true);
const meshes = [];
file.scene.traverse((object) => {
  if (!object.isSkinnedMesh) return;
  const point = new Vector3();
  const points = [];
  for (let i = 0; i < object.geometry.attributes.position.count; i++) {
    object.getVertexPosition(i, point).applyMatrix4(object.matrixWorld);
    points.push(point.x, point.y, point.z);
  }
  meshes.push(points);
});
console.log(JSON.stringify(meshes));
