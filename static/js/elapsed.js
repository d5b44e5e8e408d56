// <time data-elapsed datetime="2026-03-02T09:00Z">09:00</time> says "1 h 12 min" while the page is open;
// data-elapsed="until" counts down to it and says "now" once it has come.
function spanOf(node) {
  const at = Date.parse(node.dateTime)
  const minutes = Math.floor((node.dataset.elapsed === "until" ? at - Date.now() : Date.now() - at) / 60000)
  if (Number.isNaN(minutes)) return null
  if (minutes < 1) return node.dataset.elapsed === "until" ? "now" : "under a minute"
  if (minutes < 60) return `${minutes} min`
  if (minutes < 2880) return `${Math.floor(minutes / 60)} h ${minutes % 60} min`
  return `${Math.floor(minutes / 1440)} days`
}

function tick() {
  for (const node of document.querySelectorAll("time[data-elapsed]")) {
    node.title ||= node.textContent.trim()
    const span = spanOf(node)
    if (span) node.textContent = span
  }
}

tick()
setInterval(tick, 30_000)
document.addEventListener("htmx:afterSettle", tick)
