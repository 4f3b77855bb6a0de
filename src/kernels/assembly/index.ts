// Kernels, compiled by asc into one wasm file. Each has a plain twin in ../ that it equals bit for bit.
export function add(a: f32, b: f32): f32 {
  return a + b;
}
