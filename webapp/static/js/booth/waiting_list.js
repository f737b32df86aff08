// The list of photos that wait on this tablet: on their way, refused, or somebody else's.

// items : as Uploader shows them; named : whether to say which sheet each is of; remove(key) : a refused photo is taken off the list
export function drawWaiting(list, items, remove, named = false) {
  list.replaceChildren(...items.map((item) => line(item, remove, named && item.label ? ` for ${item.label}` : "")));
  list.hidden = !items.length;
}

function line(item, remove, where) {
  const row = document.createElement("li");
  const words = document.createElement("span");
  row.append(words);
  if (item.refused) {
    row.className = "note problem";
    row.setAttribute("role", "alert");
    words.textContent = `Not taken${where}: ${item.refused}`;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = "Remove from the list";
    button.addEventListener("click", () => remove(item.key));
    row.append(button);
  } else if (!item.mine) {
    words.textContent = `${item.name} waits on this tablet for the person who took it to sign in.`;
  } else {
    words.textContent = `${item.name}${where}: ${item.progress ? "sending" : "waits"}`;
    const bar = document.createElement("progress");
    bar.max = 1;
    bar.value = item.progress;
    bar.setAttribute("aria-label", `${item.name} sent`);
    row.append(bar);
  }
  return row;
}
