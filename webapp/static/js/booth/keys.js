// Single-key shortcuts, with a switch that turns them off (they get in the way of some speech and switch controls).

const SWITCH = "lehrbook-keys-off";

export function keysOn() {
  return window.localStorage.getItem(SWITCH) !== "1";
}

export function bindSwitch(box) {
  box.checked = keysOn();
  box.addEventListener("change", () => {
    if (box.checked) window.localStorage.removeItem(SWITCH);
    else window.localStorage.setItem(SWITCH, "1");
  });
}

// table : key -> function. Keys are left alone while somebody types.
export function bindKeys(table) {
  document.addEventListener("keydown", (event) => {
    if (!keysOn() || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.closest?.("input, select, textarea")) return;
    if (event.key === "Enter" || event.key === " ") return;
    const act = table[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  });
}
