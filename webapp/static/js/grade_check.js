/* While a plant grade is written: the server reads the text and says what is odd, a moment after typing stops. */

const form = document.getElementById("grade-form");
const text = document.getElementById("text");
const checked = document.getElementById("checked");
const WAIT_MS = 400;

let timer = 0;
let asked = 0;

async function check() {
  const mine = ++asked;
  const body = new FormData();
  body.set("text", text.value);
  try {
    const answer = await fetch(form.dataset.check, {
      method: "POST",
      body,
      headers: { "X-CSRFToken": form.elements.csrf_token.value },
    });
    if (!answer.ok || answer.redirected) {
      throw new Error(String(answer.status));
    }
    const piece = await answer.text();
    if (mine === asked) {
      checked.innerHTML = piece;
    }
  } catch {
    if (mine === asked) {
      checked.textContent = "The text could not be checked just now. What you wrote is still here.";
    }
  }
}

text.addEventListener("input", () => {
  window.clearTimeout(timer);
  timer = window.setTimeout(check, WAIT_MS);
});

// What was typed before this script was there (a slow network, a browser that puts text back) is not what was checked.
if (text.value !== text.defaultValue) check();
