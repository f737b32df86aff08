// The pad of digits under the PIN field; the field itself stays open to keyboards, paste and password managers.

const pad = document.getElementById("pad");
const field = document.getElementById("secret");

if (pad && field) {
  pad.hidden = false;
  field.inputMode = "none"; // the pad is there: no second keyboard over it on tablets
  pad.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.digit !== undefined) {
      field.value += button.dataset.digit;
    } else if ("takeBack" in button.dataset) {
      field.value = field.value.slice(0, -1);
    }
  });
}
