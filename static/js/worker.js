// Keeps static files and the open session's page, and nothing else, so that the page opens without a network.
const STATIC = "holdfast-static-1", PAGE = "holdfast-page-1"
const isSession = address => /^\/sessions\/\d+\/$/.test(address.pathname)

self.addEventListener("install", () => self.skipWaiting())
self.addEventListener("activate", event => event.waitUntil(self.clients.claim()))
self.addEventListener("message", event => { if (event.data === "forget") event.waitUntil(caches.delete(PAGE)) })

self.addEventListener("fetch", event => {
  const address = new URL(event.request.url)
  if (event.request.method !== "GET" || address.origin !== location.origin) return
  if (address.pathname.startsWith("/static/")) event.respondWith(fromStatic(event.request))
  else if (isSession(address) && event.request.mode === "navigate") event.respondWith(sessionPage(event.request))
})

async function fromStatic(request) {
  const cache = await caches.open(STATIC)
  const kept = await cache.match(request)
  const fresh = fetch(request).then(answer => {
    if (answer.ok) cache.put(request, answer.clone())
    return answer
  })
  if (!kept) return fresh
  fresh.catch(() => {})
  return kept
}

async function sessionPage(request) {
  try {
    const answer = await fetch(request)
    if (answer.ok && !answer.redirected) {
      await caches.delete(PAGE)   // only the open session's page is kept
      await (await caches.open(PAGE)).put(request, answer.clone())
    }
    return answer
  } catch (away) {
    const kept = await caches.match(request, { ignoreSearch: true })
    if (kept) return kept
    throw away
  }
}
