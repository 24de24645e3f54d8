// What the page looks like. Every text is set as text, never as markup; every number comes from the answers.

let views = 0; // ids must not repeat where a notebook shows the page twice

const SVG = "http://www.w3.org/2000/svg";

function make(tag, attributes = {}, ...children) {
  const svg = ["svg", "rect", "line", "text", "pattern", "defs", "circle"].includes(tag);
  const node = svg ? document.createElementNS(SVG, tag) : document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "on") for (const [event, heard] of Object.entries(value)) node.addEventListener(event, heard);
    else if (value !== null && value !== false) node.setAttribute(name, value === true ? "" : String(value));
  }
  node.append(...children.filter((child) => child !== null));
  return node;
}

const round = (value) => String(Math.round(value));
const isFigure = (text) => /^-?[0-9][0-9.,]*( %)?$/.test(text);
const percent = (risk) => `${(100 * risk).toFixed(risk >= 0.0995 || risk === 0 ? 0 : 1)} %`;

function render({ model, el }) {
  const view = `lobetime-${++views}`;
  const start = model.get("start");
  const id = (name) => `${view}-${name}`;
  const labels = Object.fromEntries(start.fields.map((field) => [field.name, field.label]));
  Object.assign(labels, {
    overrun_percent: "Accepted overrun risk (%)",
    round_to: "Slots are rounded up to (min)",
    slot_min: "Slot (min)",
    starts_at: "Day and first start",
    turnover_min: "Between cases (min)",
  });

  // --- questions and answers

  const waiting = new Map();
  let asked = 0;
  model.on("msg:custom", (reply, buffers) => {
    const resolve = waiting.get(reply.id);
    waiting.delete(reply.id);
    if (!waiting.size) root.removeAttribute("aria-busy");
    resolve?.([reply, buffers ?? []]);
  });
  function ask(question, buffers = []) {
    const number = ++asked;
    root.setAttribute("aria-busy", "true");
    model.send({ ...question, id: number }, undefined, buffers);
    return new Promise((resolve) => {
      waiting.set(number, resolve);
      setTimeout(() => {
        if (!waiting.delete(number)) return;
        root.removeAttribute("aria-busy");
        resolve([{ failed: "There was no answer for a minute. Close this page and open it again." }, []]);
      }, 60_000);
    });
  }

  // --- pieces

  const say = make("p", { class: "heard", role: "status", "aria-live": "polite", "aria-atomic": "true", "data-is": "said" });
  let later = 0;
  function announce(words, pause = 0) {
    clearTimeout(later); // a slider that moves is told once it rests
    later = setTimeout(() => { say.textContent = words; }, pause);
  }

  function labelled(name, label, control, hint = "") {
    control.id = id(name);
    control.setAttribute("name", name);
    if (hint) control.setAttribute("aria-describedby", id(`${name}-hint`));
    return make("div", { class: "field" },
      make("label", { for: id(name) }, label),
      control,
      hint ? make("p", { class: "hint", id: id(`${name}-hint`) }, hint) : null);
  }
  const option = (value, words) => make("option", { value }, words);

  function table(caption, headings, rows, name) {
    const titled = id(`${name}-caption`);
    const figures = headings.map((_, k) => k > 0 && rows.every((cells) => isFigure(cells[k])));
    return make("div", { class: "box", role: "region", tabindex: "0", "aria-labelledby": titled },
      make("table", { "data-is": name },
        make("caption", { id: titled }, caption),
        make("thead", {}, make("tr", {}, ...headings.map((words, k) => (
          make("th", { scope: "col", class: figures[k] ? "figure" : null }, words))))),
        make("tbody", {}, ...rows.map((cells) => make("tr", {}, ...cells.map((cell, k) => (
          k ? make("td", { class: figures[k] ? "figure" : null }, cell) : make("th", { scope: "row" }, cell))))))));
  }

  function problemsOf(place, refused) {
    const marked = root.querySelectorAll("[aria-invalid]");
    marked.forEach((node) => node.removeAttribute("aria-invalid"));
    if (!refused) { place.replaceChildren(); return; }
    const fields = refused.problems.every((one) => root.querySelector(`[id="${id(one.column)}"]`));
    const parts = [make("h3", { tabindex: "-1" }, refused.title), make("p", {}, refused.words ?? "")];
    if (fields && place.dataset.form) {
      parts.push(make("ul", {}, ...refused.problems.map((one) => {
        const control = root.querySelector(`[id="${id(one.column)}"]`);
        control.setAttribute("aria-invalid", "true");
        const link = make("a", { href: `#${control.id}`, on: { click: (event) => { event.preventDefault(); control.focus(); } } },
          labels[one.column] ?? one.column);
        return make("li", {}, link, `: ${one.value ? `“${one.value}” is not allowed` : "blank"}; allowed: ${one.allowed}`);
      })));
    } else if (refused.problems.length) {
      const found = refused.problems.map((one) => [String(one.row), one.column, one.value || "–", one.allowed]);
      parts.push(table("What is wrong", ["Row", "Column", "Value", "Allowed"], found, "problems"));
      if (refused.more) parts.push(make("p", {}, `And ${refused.more} more.`));
    }
    // The heading gets the focus, so that it is read out and what is wrong follows; no alert needs to say it again.
    place.replaceChildren(make("div", { class: "refused" }, ...parts));
    place.querySelector("h3").focus();
  }
  const failed = (words) => ({ title: "This did not work", words, problems: [] });

  async function handIn(question, buffers, place) {
    announce("Working …");
    const [reply] = await ask(question, buffers);
    problemsOf(place, reply.refused ?? (reply.failed ? failed(reply.failed) : null));
    if (!reply.answer) announce("");
    return reply.answer ?? null;
  }

  function fileField(name, label, kinds, hint, question, place, then) {
    const control = make("input", { type: "file", accept: kinds.join(",") });
    control.addEventListener("change", async () => {
      const file = control.files[0];
      control.value = ""; // the same file may be chosen again once it is mended
      if (!file) return;
      // Refused here already, so that a large file is not even read; the other side judges again.
      if (file.size > start.largest_bytes || !kinds.some((kind) => file.name.toLowerCase().endsWith(kind))) {
        const large = file.size > start.largest_bytes;
        problemsOf(place, {
          title: large ? "The file is too large" : "The file is of another kind",
          words: large
            ? `It has ${(file.size / 1e6).toFixed(1)} MB, and a file of at most ${start.largest_words} is taken. Nothing was read from it.`
            : `A file whose name ends in ${kinds.join(" or ")} is taken. Nothing was read from it.`,
          problems: [],
        });
        return;
      }
      const answer = await handIn({ ask: question, name: file.name }, [await file.arrayBuffer()], place);
      if (answer) then(answer, file.name);
    });
    return labelled(name, label, control, hint);
  }

  // --- 1: what the slots rest on

  const modelProblems = make("div");
  const chosen = make("select");
  const restsOn = make("p", { "data-is": "rests-on" });
  const loud = make("p", { class: "loud", "data-is": "loud", hidden: true });
  const surgeons = make("datalist", { id: id("surgeons") });
  function showModel(told) {
    chosen.replaceChildren(...told.models.map((one) => option(one.key, one.name)));
    chosen.value = told.chosen;
    restsOn.textContent = told.rests_on;
    loud.textContent = told.loud;
    loud.hidden = !told.loud;
    surgeons.replaceChildren(...told.surgeons.map((code) => option(code, code)));
  }
  async function changed(answer) {
    showModel(answer);
    if (answer.slots) showSlots(answer);
    announce(`${answer.loud || ""} ${answer.rests_on}`);
  }
  chosen.addEventListener("change", async () => {
    const answer = await handIn({ ask: "choose", key: chosen.value }, [], modelProblems);
    if (answer) changed(answer);
  });
  const modelPart = make("section", { "aria-labelledby": id("h-model") },
    make("h2", { id: id("h-model") }, "What the slots rest on"),
    make("div", { class: "fields" },
      labelled("model", "Model", chosen),
      fileField("model_file", "Or choose a model file", start.model_files,
        `What lobetime fit wrote (${start.model_files.join(", ")}, at most ${start.largest_words}).`,
        "model_file", modelProblems, changed)),
    restsOn, loud, modelProblems);

  // --- 2: what is to be booked

  const formProblems = make("div", { "data-form": "1" });
  const fileProblems = make("div");
  function control(field) {
    if (field.kind === "choice") return make("select", {}, option("", "not known"), ...field.choices.map((word) => option(word, word)));
    const input = make("input", { type: "text", autocomplete: "off", spellcheck: "false" });
    if (field.kind === "number") input.setAttribute("inputmode", "decimal");
    if (field.name === "surgeon") input.setAttribute("list", id("surgeons"));
    if (field.name === "gland_ml") input.setAttribute("required", "");
    return input;
  }
  const typed = make("form", { novalidate: true, on: { submit: async (event) => {
    event.preventDefault();
    const fields = Object.fromEntries(start.fields.map((field) => [field.name, typed.elements[field.name].value]));
    const answer = await handIn({ ask: "book", fields }, [], formProblems);
    if (answer) { problemsOf(fileProblems, null); booked(answer); }
  } } },
  make("fieldset", {},
    make("legend", {}, "One booking"),
    make("p", {}, "Only the gland is needed. A surgeon or device that is not known is allowed for, and makes the slot longer."),
    make("div", { class: "fields" }, ...start.fields.map((field) => (
      labelled(field.name, field.name === "gland_ml" ? `${field.label}, needed` : field.label, control(field), field.hint)))),
    formProblems,
    make("button", { type: "submit", "data-is": "book" }, "How long?"),
    surgeons));
  const bookFile = make("fieldset", {},
    make("legend", {}, "Or a file of bookings"),
    fileField("bookings_file", "File of bookings", start.booking_files,
      `${start.booking_files.join(" or ")}, at most ${start.largest_words} and ${start.most_bookings} bookings: a row each, with the column gland_ml. `
      + "A file with a column that can identify a patient (name, date of birth, hospital or national number) is refused.",
      "bookings_file", fileProblems, (answer) => { problemsOf(formProblems, null); booked(answer); }),
    make("details", {},
      make("summary", {}, "Which columns are read"),
      table("Columns of a file of bookings; only gland_ml must be there", ["Column", "What it holds", "Allowed"], start.columns, "columns"),
      make("button", { type: "button", on: { click: async () => {
        const answer = await handIn({ ask: "demo_bookings" }, [], fileProblems);
        if (answer) booked(answer);
      } } }, "Try the invented unit's bookings")),
    fileProblems);
  const bookPart = make("section", { "aria-labelledby": id("h-book") },
    make("h2", { id: id("h-book") }, "What is to be booked"), typed, bookFile);

  function booked(answer) {
    showSlots(answer);
    const words = answer.slots.length > 1 ? `${answer.slots.length} slots, in the table.` : "";
    announce(`${words} ${answer.case.case_id}: ${answer.case.headline}. ${answer.case.half_words}`);
    slotsPart.scrollIntoView({ block: "start" });
  }

  // --- 3: slots

  const agreeProblems = make("div", { "data-form": "1" });
  const slotsPlace = make("div");
  const risk = make("input", { type: "text", inputmode: "decimal", value: start.overrun_percent });
  const grid = make("input", { type: "text", inputmode: "decimal", value: start.round_to });
  const agreed = make("form", { novalidate: true, on: { submit: async (event) => {
    event.preventDefault();
    const answer = await handIn({ ask: "agree", overrun_percent: risk.value, round_to: grid.value }, [], agreeProblems);
    if (answer?.slots) booked(answer);
    else if (answer) announce("Agreed for the next slots.");
  } } },
  make("div", { class: "fields" },
    labelled("overrun_percent", labels.overrun_percent, risk, "20: one case in five may run over its slot."),
    labelled("round_to", labels.round_to, grid),
    make("div", { class: "field" }, make("button", { type: "submit", "data-is": "agree" }, "Use these"))),
  agreeProblems);
  const slotsPart = make("section", { "aria-labelledby": id("h-slots"), hidden: true },
    make("h2", { id: id("h-slots") }, "Slots"), agreed, slotsPlace);

  function showSlots(answer) {
    slotsPart.hidden = casePart.hidden = takePart.hidden = false;
    const parts = [];
    if (!loud.hidden) parts.push(make("p", { class: "loud" }, loud.textContent));
    parts.push(make("p", {}, answer.slots_words));
    parts.push(table("One row a case", ["Case", "Slot (min)", "Chance of overrun", "Gland (mL)", "Surgeon", "Median (min)", "90 % (min)", "Canister changes"],
      answer.slots.map((row) => [row.case_id, String(row.slot_min), percent(row.overrun_risk), String(row.gland_ml),
        row.surgeon || "not known", round(row.median_min), round(row.q90_min), row.expected_swaps.toFixed(1)]), "slots"));
    if (answer.looks_wrong.length) {
      parts.push(table("What looks wrong in the bookings, and was kept", ["Row", "Column", "Value", "What looks wrong"],
        answer.looks_wrong.map((row) => [String(row.row), row.column, row.value || "–", row.message]), "looks-wrong"));
    }
    slotsPlace.replaceChildren(...parts);
    which.replaceChildren(...answer.slots.map((row, k) => option(k, row.case_id)));
    whichField.hidden = answer.slots.length < 2;
    showCase(answer.case);
  }

  // --- 4: one case

  const which = make("select", { on: { change: async () => {
    const answer = await handIn({ ask: "case", at: Number(which.value) }, [], caseProblems);
    if (answer) { showCase(answer); announce(`${answer.case_id}: ${answer.headline}. ${answer.half_words}`); }
  } } });
  const whichField = make("div", { class: "fields" }, labelled("case", "Case to look at", which));
  const caseTitle = make("h2", { id: id("h-case") }, "One case");
  const caseProblems = make("div", { "data-form": "1" });
  const headline = make("p", { class: "headline", "data-is": "headline" });
  const half = make("p", {});
  const figurePlace = make("div");
  const slider = make("input", { type: "range" });
  const number = make("input", { type: "number", min: "1", max: "1440", step: "any", inputmode: "decimal" });
  const riskWords = make("p", { class: "risk", "data-is": "risk" });
  const meter = make("div", { class: "meter", "aria-hidden": "true" }, make("span"));
  const why = make("ul", { "data-is": "why" });
  const guesses = make("div", { "data-is": "guesses" });
  let at = 0;
  let moving = false;
  let next = null;

  function showRisk(answer) {
    riskWords.textContent = answer.risk_words;
    meter.firstChild.style.width = `${100 * answer.overrun_risk}%`;
    slider.setAttribute("aria-valuetext", answer.risk_words);
  }
  async function move(minutes) {
    next = minutes;
    if (moving) return; // the last place counts, not each that was passed
    moving = true;
    while (next !== null) {
      const now = next;
      next = null;
      const [reply] = await ask({ ask: "risk", at, minutes: now });
      if (reply.answer) {
        showRisk(reply.answer);
        number.removeAttribute("aria-invalid");
      } else {
        // Told in place: who is in the middle of typing must not lose the field.
        riskWords.textContent = reply.refused ? `Not a slot; allowed: ${reply.refused.problems[0].allowed}.` : reply.failed;
        number.setAttribute("aria-invalid", "true");
      }
      announce(riskWords.textContent, 400);
    }
    moving = false;
  }
  slider.addEventListener("input", () => { number.value = slider.value; move(slider.value); });
  number.addEventListener("input", () => { if (number.value !== "") slider.value = number.value; move(number.value); });

  function picture(phases, slot) {
    const last = Math.max(...phases.map((one) => one.low_mid_high[2]), slot);
    const step = 52;
    const full = 86; // percent; the rest is for the figures at the end
    const across = (minutes) => `${(full * minutes / last).toFixed(2)}%`;
    const height = step * phases.length + 8;
    const svg = make("svg", { width: "100%", height, focusable: "false", "aria-hidden": "true" },
      make("defs", {},
        make("pattern", { id: id("stripes"), width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
          make("rect", { width: 7, height: 7, class: "paper" }), make("line", { x1: 0, y1: 0, x2: 0, y2: 7, class: "stripe" })),
        make("pattern", { id: id("dots"), width: 7, height: 7, patternUnits: "userSpaceOnUse" },
          make("rect", { width: 7, height: 7, class: "paper" }), make("circle", { cx: 3.5, cy: 3.5, r: 1.2, class: "dot" }))));
    const fills = ["var(--lobetime-ink-2)", `url(#${id("stripes")})`, "var(--lobetime-ink-3)", `url(#${id("dots")})`, "none"];
    let begin = 0;
    phases.forEach((one, k) => {
      const whole = k === phases.length - 1;
      const [, middle, late] = one.low_mid_high;
      const from = whole ? 0 : begin;
      const top = k * step + 22;
      svg.append(make("text", { x: 0, y: top - 7 }, one.words));
      svg.append(make("rect", { x: across(from), y: top, width: across(middle), height: 16, class: whole ? "bar whole" : "bar", style: `fill: ${fills[k]}` }));
      svg.append(make("line", { x1: across(from + middle), x2: across(from + late), y1: top + 8, y2: top + 8, class: "whisker" }));
      svg.append(make("line", { x1: across(from + late), x2: across(from + late), y1: top + 3, y2: top + 13, class: "whisker" }));
      svg.append(make("text", { x: across(from + late), dx: 5, y: top + 13, class: "figure" }, round(middle)));
      if (!whole) begin += middle;
    });
    svg.append(make("line", { x1: across(slot), x2: across(slot), y1: step * (phases.length - 1) + 19, y2: height, class: "slot" }));
    return svg;
  }

  function showCase(told) {
    at = told.at;
    which.value = String(at);
    caseTitle.textContent = `One case: ${told.case_id}`;
    headline.textContent = told.headline;
    half.textContent = `${told.half_words} ${told.swaps_words}`;
    for (const control of [slider, number]) control.value = "";
    Object.assign(slider, { min: told.lowest_min, max: told.highest_min, step: told.step_min });
    slider.value = number.value = told.slot_min;
    number.removeAttribute("aria-invalid");
    showRisk(told);
    figurePlace.replaceChildren(make("figure", {},
      make("div", { role: "img", "aria-label": `Phases one after the other. ${told.phases_words}.`, "data-is": "picture" }, picture(told.phases, told.slot_min)),
      make("figcaption", {}, "Phases, each put behind the one before. Bar and figure: half of such cases take less. Line: nine in ten take less. "
        + `Broken upright line at the whole case: the slot, ${told.slot_min} minutes. The phases are rarely all slow in one case.`)),
    make("details", {}, make("summary", {}, "The picture as a table"),
      table("Minutes of each phase", ["Phase", "One in ten takes less", "Half take less", "Nine in ten take less"],
        told.phases.map((one) => [one.words, ...one.low_mid_high.map(round)]), "phases")));
    why.replaceChildren(...told.why.map((words) => make("li", {}, words)));
    guesses.replaceChildren(told.guesses.length
      ? make("ul", {}, ...told.guesses.map((words) => make("li", {}, words)))
      : make("p", {}, "Nowhere: the past cases hold cases like this one."));
  }

  const casePart = make("section", { "aria-labelledby": id("h-case"), hidden: true },
    caseTitle, whichField, headline, half,
    make("h3", {}, "What another slot would risk"),
    make("div", { class: "fields two" },
      labelled("slot", "Move the slot", slider),
      labelled("slot_min", "Or type its minutes", number)),
    meter, riskWords, caseProblems,
    make("h3", {}, "Where the minutes go"), figurePlace,
    make("h3", {}, "Why"),
    make("p", { class: "hint" }, "Minutes that would go, or come, if that one thing were as usual in the unit."),
    why,
    make("h3", {}, "Where the model is guessing"), guesses);

  // --- 5: to take along

  const takeProblems = make("div", { "data-form": "1" });
  const day = make("input", { type: "date" });
  const time = make("input", { type: "time", value: "08:00" });
  const between = make("input", { type: "text", inputmode: "decimal", value: start.turnover_min });
  async function take(kind) {
    announce("Working …");
    const [reply, buffers] = await ask({ ask: "download", kind, day: day.value, time: time.value, turnover_min: between.value });
    problemsOf(takeProblems, reply.refused ?? (reply.failed ? failed(reply.failed) : null));
    if (!reply.answer) { announce(""); return; }
    const file = new Blob([buffers[0]], { type: reply.answer.media });
    const link = make("a", { href: URL.createObjectURL(file), download: reply.answer.name });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    announce(`${reply.answer.name} is in your downloads.`);
  }
  const button = (kind, words) => make("button", { type: "button", "data-is": kind, on: { click: () => take(kind) } }, words);
  const takePart = make("section", { "aria-labelledby": id("h-take"), hidden: true },
    make("h2", { id: id("h-take") }, "Take the slots along"),
    make("div", { class: "buttons" }, button("csv", "CSV file"), button("excel", "Excel workbook")),
    make("fieldset", {},
      make("legend", {}, "Calendar"),
      make("p", {}, "One after the other, in the order of the table. Events are marked confidential and name the case reference only."),
      make("div", { class: "fields" },
        labelled("starts_at", "Day", day), labelled("starts_time", "First case enters at", time),
        labelled("turnover_min", labels.turnover_min, between, start.turnover_words)),
      make("div", { class: "buttons" }, button("calendar", "Calendar file"))),
    takeProblems);

  const root = make("div", { class: "lobetime-page", lang: "en-GB" },
    make("p", { class: "caution", role: "note" }, make("strong", {}, "Caution. "), start.caution),
    modelPart, bookPart, slotsPart, casePart, takePart, say,
    make("p", { class: "foot" }, `lobetime ${start.version}. Nothing that you type or choose leaves this computer or the one that serves the page; nothing is kept after the visit.`));
  showModel(start);
  el.replaceChildren(root);
}

export default { render };
