// The arrays come from where the page came from.
async function blob(name, Type) {
  const answer = await fetch(`data/${name}`);
  if (!answer.ok) throw new Error(`${name} did not come`);
  return new Type(await answer.arrayBuffer());
}
