// Big keys for a number. The field works without them.

let field = null;

function isNumber(element) {
  return element instanceof HTMLInputElement && element.classList.contains("number");
}

function target() {
  if (field && field.isConnected) return field;
  return document.querySelector("input.number");
}

document.documentElement.classList.add("keyed");
document.addEventListener("focusin", (event) => {
  if (isNumber(event.target)) field = event.target;
});
document.addEventListener("click", (event) => {
  const key = event.target instanceof Element ? event.target.closest("button[data-key]") : null;
  const into = target();
  if (!key || !into) return;
  const name = key.dataset.key;
  if (name === "back") into.value = into.value.slice(0, -1);
  else if (name === "-") into.value = into.value.startsWith("-") ? into.value.slice(1) : `-${into.value}`;
  else if (name === "." && /[.,]/.test(into.value)) return;
  else into.value += name;
});
