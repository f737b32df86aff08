// What the server last said about the sheet. The server judges; this page only shows.

const readers = [];
let current = JSON.parse(document.getElementById("sheet-state").textContent);

export function state() {
  return current;
}

// Calls `reader(state)` now and after each change.
export function onState(reader) {
  readers.push(reader);
  reader(current);
}

export function setState(next) {
  current = next;
  for (const reader of readers) reader(current);
}
