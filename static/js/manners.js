// Small manners of a page: [data-print] prints it, [data-takes-focus] is where reading goes on after a swap,
// and an open Contents closes on Escape or on a press elsewhere.
document.addEventListener("click", event => {
  if (event.target.closest("[data-print]")) window.print()
  for (const book of document.querySelectorAll("details.book[open]")) {
    if (!book.contains(event.target)) book.open = false
  }
})

document.addEventListener("keydown", event => {
  if (event.key !== "Escape") return
  const book = document.querySelector("details.book[open]")
  if (!book) return
  book.open = false
  book.querySelector("summary").focus()
})

function showPresses() {
  for (const press of document.querySelectorAll("[data-print][hidden]")) press.hidden = false
}

function takeFocus(root) {
  root.querySelector?.("[data-takes-focus]")?.focus()
}

showPresses()
takeFocus(document)
document.addEventListener("htmx:afterSettle", event => {
  showPresses()
  takeFocus(event.target)
})
