"use strict";
// Shows the record that stands in this page: a list of welds, one weld's story, findings, and a digest check.
// Knows only the JSON beside it; every text goes into the page as text, never as markup.
(() => {
  const record = JSON.parse(document.getElementById("record").textContent);
  const words = record.words;
  const at = (id) => document.getElementById(id);

  const say = (key, values = {}) => words[key].replace(/\{(\w+)\}/g, (whole, name) => String(values[name] ?? whole));

  const make = (tag, attributes = {}, ...inside) => {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) {
      if (value !== undefined) element.setAttribute(name, value);
    }
    element.append(...inside.filter((each) => each !== null));
    return element;
  };

  const link = (path, text) => make("a", { href: encodeURI(path) }, text);
  const picture = (film, name, extra = {}) =>
    make("img", { src: encodeURI(film.preview), alt: say("page.preview", { name }), loading: "lazy", decoding: "async", ...extra });

  // ---- the list -------------------------------------------------------------------------------------------------

  const plain = (text) => text.normalize("NFKD").replace(/\p{M}/gu, "").toLowerCase();
  // W-0117, w117 and W 0117 are one number to whoever types it.
  const squeeze = (text) => plain(text).replace(/[^\p{L}\p{N}]/gu, "").replace(/0+(?=\d)/g, "");

  const rows = record.welds.map((weld, number) => {
    const first = make("th", { scope: "row" }, make("a", { href: `#weld-${number}` }, weld.name));
    const cells = weld.cells.map((text, column) =>
      column === record.standing_column
        ? make("td", {}, make("span", { class: `standing ${weld.standing}` }, text))
        : make("td", { class: text.length < 16 ? "short" : undefined }, text),
    );
    const row = make("tr", {}, first, ...cells);
    return { weld, row, search: plain(weld.search), squeezed: squeeze(weld.line + weld.number), strip: null };
  });
  at("list").tBodies[0].append(...rows.map((each) => each.row));

  for (const line of new Set(record.welds.map((weld) => weld.line))) at("line").append(make("option", { value: line }, line));
  for (const [standing, text] of record.standings) at("standing").append(make("option", { value: standing }, text));

  const thumbs = () => {
    const wanted = at("thumbs").checked;
    for (const each of rows) {
      if (wanted && !each.strip) {
        const pictures = each.weld.films.filter((film) => film.preview).map((film) => picture(film, film.name));
        each.strip = make("tr", {}, make("td", { colspan: each.row.cells.length }, make("div", { class: "strip" }, ...pictures)));
        each.row.after(each.strip);
      }
      if (each.strip) each.strip.hidden = !wanted || each.row.hidden;
    }
  };

  const filter = () => {
    const tokens = plain(at("text").value).split(/\s+/).filter(Boolean);
    const [line, standing, rejects] = [at("line").value, at("standing").value, at("rejects").checked];
    let shown = 0;
    for (const { weld, row, search, squeezed } of rows) {
      const found = (token) => search.includes(token) || (squeeze(token).length > 1 && squeezed.includes(squeeze(token)));
      const fits = (!line || weld.line === line) && (!standing || weld.standing === standing)
        && (!rejects || weld.rejected) && tokens.every(found);
      row.hidden = !fits;
      shown += fits ? 1 : 0;
    }
    thumbs();
    at("shown").textContent = say("page.shown", { shown, all: rows.length });
  };

  at("filter").addEventListener("input", filter);
  at("thumbs").addEventListener("change", thumbs);
  at("filter").addEventListener("reset", () => setTimeout(filter));
  at("filter").addEventListener("submit", (event) => event.preventDefault());

  // ---- one weld -------------------------------------------------------------------------------------------------

  const facts = (pairs) => make("dl", { class: "facts" },
    ...pairs.map(([name, value]) => make("div", { class: value.length > 60 ? "wide" : undefined }, make("dt", {}, name), make("dd", {}, value))));

  const step = (one, weld) => {
    const day = one.day ? make("time", { datetime: one.day }, one.day) : make("span", { class: "day" }, words["date.missing"]);
    const films = one.films.map((film) => make("a", { href: `#film-${film}`, class: "to-film" }, weld.films[film].name));
    const list = films.length ? make("li", {}, `${words["page.radiographs"]}: `, ...films.flatMap((a, i) => (i ? [", ", a] : [a]))) : null;
    return make("li", { class: one.kind }, day, make("span", { class: "what" }, one.title),
      make("ul", {}, ...one.details.map((text) => make("li", {}, text)), list));
  };

  const film = (each, number) => make("figure", { id: `film-${number}`, tabindex: "-1" },
    each.preview ? picture(each, each.name, { width: each.columns, height: each.rows }) : make("p", {}, words["page.no_preview"]),
    make("figcaption", {}, make("p", { class: "name" }, each.name),
      ...each.notes.map((text) => make("p", {}, text)),
      make("p", { class: "small" }, link(each.path, each.path))));

  const showWeld = (number) => {
    const weld = record.welds[number];
    at("weld-title").textContent = weld.title;
    at("weld-body").replaceChildren(
      make("p", {}, make("span", { class: `standing ${weld.standing}` }, weld.standing_text)),
      facts(weld.facts),
      make("h3", {}, words["page.timeline"]),
      make("ol", { class: "steps" }, ...weld.steps.map((one) => step(one, weld))),
      make("h3", {}, words["page.radiographs"]),
      weld.films.length ? make("div", { class: "films" }, ...weld.films.map(film)) : make("p", {}, words["page.no_radiographs"]),
      make("h3", {}, words["page.files"]),
      make("p", {}, link(weld.path, weld.path)),
    );
    at("earlier").disabled = number === 0;
    at("later").disabled = number === rows.length - 1;
    at("earlier").onclick = () => { location.hash = `#weld-${number - 1}`; };
    at("later").onclick = () => { location.hash = `#weld-${number + 1}`; };
  };

  let open = null;
  const route = (focus) => {
    const weld = /^#weld-(\d+)$/.exec(location.hash);
    const number = weld ? Number(weld[1]) : null;
    if (location.hash.startsWith("#film-")) return;
    const one = number !== null && number < rows.length;
    if (one) showWeld(number);
    open = one ? number : null;
    document.body.classList.toggle("one-weld", one);
    at("weld").hidden = !one;
    at("welds").hidden = one;
    document.title = one ? `${record.welds[number].title} - ${record.title}` : record.title;
    if (!focus) return;
    const target = one ? at("weld-title") : at(`${location.hash.slice(1)}-title`);
    if (!target) return;
    target.focus({ preventScroll: true });
    (one ? at("weld") : target).scrollIntoView();
  };
  window.addEventListener("hashchange", () => route(true));
  // A link to a film must not leave the weld, so it moves the view and not the address.
  at("weld-body").addEventListener("click", (event) => {
    const to = event.target.closest("a.to-film");
    if (!to) return;
    event.preventDefault();
    const figure = document.getElementById(to.getAttribute("href").slice(1));
    figure.scrollIntoView({ block: "center" });
    figure.focus();
  });

  const print = async (within) => {
    // What is lazy is not there for the printer: have it loaded first.
    const pictures = [...within.querySelectorAll("img")].filter((each) => each.offsetParent !== null);
    for (const each of pictures) each.loading = "eager";
    await Promise.allSettled(pictures.map((each) => each.decode()));
    window.print();
  };
  at("print-list").addEventListener("click", () => print(at("list")));
  at("print-weld").addEventListener("click", () => print(at("weld")));

  // ---- findings -------------------------------------------------------------------------------------------------

  at("findings-body").append(record.findings.length
    ? make("table", {},
      make("thead", {}, make("tr", {}, ...["severity", "code", "finding"].map((key) => make("th", { scope: "col" }, words[`column.${key}`])))),
      make("tbody", {}, ...record.findings.map((each) => make("tr", {},
        make("td", {}, each.severity), make("td", {}, each.code),
        make("td", {}, each.text, ...(each.clause ? [make("p", { class: "small" }, each.clause)] : []))))))
    : make("p", {}, words["page.findings.none"]));

  // ---- digests --------------------------------------------------------------------------------------------------

  const hex = (buffer) => Array.from(new Uint8Array(buffer), (byte) => byte.toString(16).padStart(2, "0")).join("");
  const digest = async (bytes) => hex(await crypto.subtle.digest("SHA-512", bytes));
  const own = new Map(record.files.map(([path, sum]) => [`data/${path}`, sum]));

  const lines = (bytes) => new Map(new TextDecoder().decode(bytes).split("\n")
    .map((line) => /^([0-9a-f]{128}) {2}(.+)$/.exec(line)).filter(Boolean).map(([, sum, path]) => [path, sum]));

  const verdict = (name, sum, sums, source) => {
    const paths = [...sums].filter(([, listed]) => listed === sum).map(([path]) => path);
    if (paths.length) return ["good", say("check.good", { name, path: paths.join(", "), source })];
    const same = [...sums.keys()].filter((path) => path.split("/").pop() === name);
    if (same.length === 1) return ["bad", say("check.differs", { name, path: same[0], source })];
    if (same.length) return ["bad", say("check.differs_several", { name, count: same.length, source })];
    return ["owed", say("check.unknown", { name, source })];
  };

  const tell = (style, text, sum) => at("check-results").append(make("li", {},
    make("p", { class: style }, text), sum ? make("p", { class: "digest small" }, `SHA-512 ${sum}`) : null));

  const listed = async (files, name) => {
    const file = files.find((each) => each.name === name);
    return file ? lines(await file.arrayBuffer()) : null;
  };

  let runs = 0;
  const check = async () => {
    const run = (runs += 1);
    const files = [...at("chosen").files];
    at("check-results").replaceChildren();
    at("check-state").textContent = "";
    if (!files.length) return;
    if (!globalThis.crypto?.subtle) { at("check-state").textContent = words["check.no_crypto"]; return; }
    const [manifest, tags] = [await listed(files, "manifest-sha512.txt"), await listed(files, "tagmanifest-sha512.txt")];
    let done = 0;
    for (const file of files) {
      at("check-state").textContent = say("check.working", { done, all: files.length, name: file.name });
      try {
        const sum = await digest(await file.arrayBuffer());
        if (run !== runs) return; // other files were chosen meanwhile
        if (file.name === "tagmanifest-sha512.txt") tell("plain", words["check.tagmanifest"], sum);
        else if (file.name === "manifest-sha512.txt" && !tags) tell("plain", words["check.manifest_alone"], sum);
        else if (file.name === "manifest-sha512.txt") tell(...verdict(file.name, sum, tags, "tagmanifest-sha512.txt"), sum);
        else if (manifest) tell(...verdict(file.name, sum, manifest, "manifest-sha512.txt"), sum);
        else tell(...verdict(file.name, sum, own, words["check.this_page"]), sum);
      } catch {
        tell("bad", say("check.unreadable", { name: file.name }), "");
      }
      done += 1;
    }
    at("check-state").textContent = say("check.done", { all: files.length });
  };
  // Choosing the same file again counts as a choice: it may have changed.
  at("chosen").addEventListener("click", () => { at("chosen").value = ""; });
  at("chosen").addEventListener("change", check);

  for (const id of ["welds", "findings", "check"]) at(id).hidden = false;
  filter();
  route(false);
  document.documentElement.dataset.ready = "yes";
})();
