// The verdict panel: every act is a small form. Here it goes to the server without leaving the page, and what comes
// back replaces the panel. Without scripts the same forms post and come back as a page.

import { post, Refusal } from "./server.js";
import { setState, state } from "./state.js";

// say(sentence, isProblem) : tells what happened; acted(id) : a find was dealt with
export function bindPanel(root, { say, acted }) {
  root.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches("form[data-act]")) return;
    event.preventDefault();
    const buttons = [...form.querySelectorAll("button")];
    if (buttons.some((button) => button.disabled)) return; // a second press while the first is under way
    const body = new FormData(form, event.submitter);
    buttons.forEach((button) => (button.disabled = true));
    try {
      const answer = await post(event.submitter?.getAttribute("formaction") ?? form.action, body);
      if (answer.go) {
        window.location.assign(answer.go);
        return;
      }
      const before = state().outcome;
      setState(answer);
      say(before === answer.outcome ? answer.said : `${answer.said} Verdict now: ${answer.outcome}.`, false);
      acted(form.dataset.act, form.dataset.mark);
    } catch (error) {
      if (error.status === 401) {
        const here = window.location.pathname + window.location.search;
        window.location.assign(`/sign-in?next=${encodeURIComponent(here)}`);
        return;
      }
      say(sentence(error), true);
      buttons.forEach((button) => (button.disabled = false));
    }
  });
}

export function sentence(error) {
  if (error instanceof Refusal) return error.message;
  return "No network: this was not stored. Try again when the tablet is connected.";
}

// Scrolls `host` alone, never the page, until `element` is seen.
export function scrollTo(host, element) {
  if (host.scrollHeight <= host.clientHeight + 1) {
    element.scrollIntoView({ block: "nearest" }); // a small screen, where the page scrolls as one
    return;
  }
  const frame = host.getBoundingClientRect();
  const box = element.getBoundingClientRect();
  const head = host.querySelector(".outcome")?.offsetHeight ?? 0;
  if (box.top < frame.top + head + 8) host.scrollTop -= frame.top + head + 8 - box.top;
  else if (box.bottom > frame.bottom - 8) {
    host.scrollTop += Math.min(box.bottom - frame.bottom + 8, box.top - frame.top - head - 8);
  }
}

// Puts new content in place and keeps the keyboard where it was.
export function swap(host, html) {
  const had = host.contains(document.activeElement) ? document.activeElement.id : "";
  const open = new Set([...host.querySelectorAll("details[open][id]")].map((details) => details.id));
  const top = host.scrollTop;
  host.innerHTML = html;
  for (const id of open) host.querySelector(`#${CSS.escape(id)}`)?.setAttribute("open", "");
  host.scrollTop = top;
  if (had) document.getElementById(had)?.focus({ preventScroll: true });
}
