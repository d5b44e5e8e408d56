// Samples are laid by dragging or with the arrow keys: [data-lay] is the form that keeps the places.
// Outline and nearest gap follow at once; the findings come from the server once the finger rests.
const form = document.querySelector("[data-lay]"), svg = document.querySelector("svg.holder[data-moves]")
if (form && svg) lay()
function lay() {
  const scale = svg.viewBox.baseVal.width / Number(form.dataset.mmWide)
  const draw = name => svg.appendChild(document.createElementNS("http://www.w3.org/2000/svg", name))
  const line = draw("path"), figure = draw("text")
  line.setAttribute("class", "gap"); figure.setAttribute("class", "halo"); line.dataset.held = figure.dataset.held = ""; let held = null, resting = 0
  const rows = [...form.querySelectorAll("[data-mount]")].map(field => {
    const [x, y, turn] = field.value.split(",").map(Number), id = field.dataset.mount
    const part = svg.querySelector(`g[data-mount="${id}"]`), number = svg.querySelector(`[data-number-of="${id}"]`)
    part.setAttribute("tabindex", "0"); part.setAttribute("role", "button")
    part.setAttribute("aria-label", `position ${id.slice(1)}: move it with the arrow keys, turn it with r`)
    return { field, part, number, x, y, turn, from: [x, y, turn], half: [field.dataset.width / 2, field.dataset.height / 2], round: "round" in field.dataset }
  })

  const corners = ({ x, y, turn, half, round }) => {
    const a = turn * Math.PI / 180
    return (round ? [...Array(32)].map((_, n) => [half[0] * Math.cos(n * Math.PI / 16), half[0] * Math.sin(n * Math.PI / 16)])
      : [[1, 1], [-1, 1], [-1, -1], [1, -1]].map(([i, j]) => [i * half[0], j * half[1]]))
      .map(([u, v]) => [x + u * Math.cos(a) - v * Math.sin(a), y + u * Math.sin(a) + v * Math.cos(a)])
  }
  const onto = (p, a, b) => {
    const d = [b[0] - a[0], b[1] - a[1]], t = Math.max(0, Math.min(1, ((p[0] - a[0]) * d[0] + (p[1] - a[1]) * d[1]) / (d[0] ** 2 + d[1] ** 2)))
    return [a[0] + t * d[0], a[1] + t * d[1]]
  }
  const left = (p, a, b) => (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]) >= 0
  const inside = (p, poly) => poly.every((a, n) => left(p, a, poly[(n + 1) % poly.length]))
  function nearest(row) {
    let best = { gap: Infinity }
    const mine = corners(row)
    for (const other of rows) {
      if (other === row) continue
      const theirs = corners(other)
      if (mine.some(p => inside(p, theirs)) || theirs.some(p => inside(p, mine))) return { gap: 0, ends: [mine[0], mine[0]] }
      for (const [points, edges] of [[mine, theirs], [theirs, mine]])
        for (const p of points) edges.forEach((a, n) => {
          const q = onto(p, a, edges[(n + 1) % edges.length]), gap = Math.hypot(p[0] - q[0], p[1] - q[1])
          if (gap < best.gap) best = { gap, ends: [p, q] }
        })
    }
    return best
  }
  function show(row) {
    svg.dataset.moving = ""
    row.part.setAttribute("transform", `translate(${row.x * scale} ${-row.y * scale}) rotate(${-row.turn})`)
    row.number?.setAttribute("transform", `translate(${(row.x - row.from[0]) * scale} ${(row.from[1] - row.y) * scale})`)
    const { gap, ends } = nearest(row), at = ends?.map(([x, y]) => [x * scale, -y * scale])
    line.setAttribute("d", at ? `M${at[0]}L${at[1]}` : "")
    if (at) { figure.setAttribute("x", (at[0][0] + at[1][0]) / 2); figure.setAttribute("y", (at[0][1] + at[1][1]) / 2) }
    figure.textContent = at ? (gap ? gap.toFixed(1) : "0") : ""
    row.field.disabled = false; row.field.value = [row.x, row.y, row.turn].map(n => n.toFixed(3)).join()
    form.hidden = false
    form.querySelector("[data-lay-says]").textContent = `x ${row.x.toFixed(1)}, y ${row.y.toFixed(1)} mm` + (at ? `, nearest gap ${gap.toFixed(1)} mm` : "")
    clearTimeout(resting); resting = setTimeout(ask, 120)
  }
  async function ask() {
    const moved = new URLSearchParams([...form.querySelectorAll("[data-mount]:enabled")].map(f => [f.name, f.value]))
    const answer = await fetch(`${form.dataset.findings}?${moved}`).catch(() => null)
    if (answer?.ok) document.getElementById("findings").innerHTML = await answer.text()
  }
  const place = event => { const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse()); return [p.x / scale, -p.y / scale] }
  svg.addEventListener("pointerdown", event => {
    const row = rows.find(each => each.part.contains(event.target) || each.number?.contains(event.target))
    if (!row) return
    const [x, y] = place(event); held = { row, dx: row.x - x, dy: row.y - y }; svg.setPointerCapture(event.pointerId)
  })
  svg.addEventListener("pointermove", event => {
    if (!held) return
    const [x, y] = place(event); held.row.x = x + held.dx; held.row.y = y + held.dy; show(held.row)
  })
  for (const name of ["pointerup", "pointercancel"]) svg.addEventListener(name, () => { held = null })
  svg.addEventListener("keydown", event => {
    const row = rows.find(each => each.part === event.target), step = event.shiftKey ? 0.1 : 0.5
    const move = { ArrowLeft: [-step, 0, 0], ArrowRight: [step, 0, 0], ArrowUp: [0, step, 0], ArrowDown: [0, -step, 0], r: [0, 0, 5], R: [0, 0, -5] }[event.key]
    if (!row || !move) return
    event.preventDefault(); row.x += move[0]; row.y += move[1]; row.turn += move[2]; show(row)
  })
}
