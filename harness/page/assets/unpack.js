// How do a picture's numbers come back? The reverse of harness/page/packing.py, into plain number arrays.

const KINDS = {
  i1: Int8Array, u1: Uint8Array, i2: Int16Array, i4: Int32Array, f4: Float32Array, f8: Float64Array,
};

function bytesOf(text) {
  if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
  const raw = atob(text);
  const bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
  return bytes;
}

async function inflated(text) {
  const stream = new Blob([bytesOf(text)]).stream().pipeThrough(new DecompressionStream('deflate'));
  return new Response(stream).arrayBuffer();
}

async function unpacked(packed) {
  const kind = KINDS[packed.type.replace('<', '')];
  const wire = new kind(await inflated(packed.data));
  if (kind === Uint8Array || kind === Float64Array) return wire;
  const values = new Float64Array(wire.length);
  const scale = 10 ** (packed.places || 0);
  const gap = packed.gaps ? -(2 ** (8 * wire.BYTES_PER_ELEMENT - 1)) : NaN;
  if (packed.delta) {
    let sum = packed.first;
    for (let i = 0; i < wire.length; i++) {
      sum += wire[i];
      values[i] = sum / scale;
    }
  } else {
    for (let i = 0; i < wire.length; i++) values[i] = wire[i] === gap ? NaN : wire[i] / scale;
  }
  return values;
}
