// The arrays are in the page itself, packed.
async function blob(name, Type) {
  const bytes = Uint8Array.from(atob($(name).textContent), (each) => each.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Type(await new Response(stream).arrayBuffer());
}

