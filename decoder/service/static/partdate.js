/* What the pages do beyond plain forms: answers as one types, rows changed without a reload, a draft that survives.
   Everything is drawn on the server; this fetches the same pages and puts their parts in place. */
"use strict";
(() => {
  const PAUSE = 40; /* ms without a key before an answer is asked for: short enough to be seen at once */
  const body = document.body;
  const root = body.dataset.root;
  const said = document.getElementById("said");
  const main = () => document.getElementById("main");
  const one = (selector, within = document) => within.querySelector(selector);
  const parsed = (text) => new DOMParser().parseFromString(text, "text/html");
  document.documentElement.classList.add("js");
  /* the browser waits with autofocus until it paints; a key struck before that would be lost */
  if (document.activeElement === body) one("[autofocus]")?.focus();

  /* ---- told to screen readers, politely and not at every key */
  let saying;
  const say = (text, after = 0) => {
    clearTimeout(saying);
    saying = setTimeout(() => { said.textContent = text.replace(/\s+/g, " ").trim(); }, after);
  };

  /* ---- characters for worn marks, at the place last written at */
  let field;
  document.addEventListener("focusin", (event) => {
    if (event.target.matches("input[name$=marking], textarea[name$=marking]")) field = event.target;
  });
  document.addEventListener("pointerdown", (event) => {
    if (event.target.closest("[data-key]")) event.preventDefault(); // the field keeps the focus
  });
  const put = (key) => {
    if (!field || !field.isConnected) field = one("[name$=marking]");
    const { selectionStart: from, selectionEnd: to, value } = field;
    const text = key === "[]" ? `[${value.slice(from, to)}]` : key;
    field.focus();
    field.setRangeText(text, from, to, "end");
    if (key === "[]" && from === to) field.setSelectionRange(from + 1, from + 1);
    field.dispatchEvent(new Event("input", { bubbles: true }));
  };

  const copy = async (button) => {
    const shown = one(".as-text pre");
    if (!shown) return;
    try {
      await navigator.clipboard.writeText(shown.textContent);
    } catch {
      shown.closest("details").open = true;
      getSelection().selectAllChildren(shown);
      if (!document.execCommand("copy")) return;
    }
    const label = button.textContent;
    button.textContent = button.dataset.done;
    say(button.dataset.done);
    setTimeout(() => { button.textContent = label; }, 2000);
  };

  document.addEventListener("click", (event) => {
    const key = event.target.closest("[data-key]");
    const button = event.target.closest("button.copy");
    if (key) put(key.dataset.key);
    else if (button) copy(button);
  });

  /* ---- one marking */
  const ask = one("form.ask");
  if (ask) {
    const typing = one("#typing");
    let waiting, running;
    const address = () => {
      const given = new URLSearchParams();
      for (const [name, text] of new FormData(ask)) if (text.trim()) given.set(name, text);
      return `${root}/${given.size ? "?" : ""}${given}`;
    };
    const warn = (text) => {
      typing.textContent = text;
      typing.hidden = !text;
      typing.classList.remove("glance");
    };
    const glance = (text) => { // on a telephone the answer stands below the keyboard
      warn(text);
      typing.classList.add("glance");
    };
    const show = (page, url) => {
      for (const kept of ["#part-about", ".answer"]) {
        const now = one(kept, main()), then = one(kept, page);
        if (now && then) now.replaceWith(then);
        else if (then) main().append(then);
      }
      for (const wrong of ask.querySelectorAll("[aria-invalid]")) wrong.removeAttribute("aria-invalid");
      for (const wrong of ask.querySelectorAll(".fault")) wrong.remove();
      const liked = one("footer .liked"), other = one("footer .liked", page);
      if (liked && other) liked.replaceWith(other);
      document.title = page.title;
      history.replaceState(null, "", url);
    };
    const refresh = async () => {
      clearTimeout(waiting);
      running?.abort();
      running = new AbortController();
      const mine = running, url = address();
      try {
        const response = await fetch(url, { signal: mine.signal, headers: { Accept: "text/html" } });
        const page = parsed(await response.text());
        if (mine.signal.aborted) return false;
        const answer = one(".answer", page);
        if (response.ok && answer) {
          warn("");
          show(page, url);
          const found = [...answer.querySelectorAll(".sum li")].slice(0, 3).map((item) => item.textContent);
          if (answer.id) glance(found.join(", ") || one("h2", answer).lastChild.textContent.trim());
          if (answer.id) say(`${one("h2", answer).textContent} ${found.join(", ")}`, 700);
          return true;
        }
        one(".answer", main())?.classList.add("stale");
        warn([...page.querySelectorAll(".ask .fault li")].map((item) => item.textContent).join(" ") || body.dataset.refused);
        say(typing.textContent, 1500);
      } catch (error) {
        if (error.name !== "AbortError" && !mine.signal.aborted) {
          one(".answer", main())?.classList.add("stale");
          warn(body.dataset.offline);
          say(body.dataset.offline);
        }
      }
      return false;
    };
    ask.addEventListener("input", (event) => {
      if (event.isComposing) return;
      clearTimeout(waiting);
      running?.abort();
      waiting = setTimeout(refresh, event.target.tagName === "SELECT" ? 0 : PAUSE);
    });
    ask.addEventListener("compositionend", () => { waiting = setTimeout(refresh, PAUSE); });
    ask.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (await refresh()) one("#answer-head")?.focus();
      else if (typing.textContent !== body.dataset.offline) location.assign(address());
    });
    main().addEventListener("click", async (event) => {
      const link = event.target.closest("a");
      if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
      const url = new URL(link.href);
      if (url.origin !== location.origin || url.pathname !== `${root}/` || !url.searchParams.has("marking")) return;
      event.preventDefault();
      for (const [name, text] of url.searchParams) if (ask.elements[name]) ask.elements[name].value = text;
      if (await refresh()) (one("#answer-head") || ask.elements.marking).focus();
    });
    body.addEventListener("keydown", (event) => {
      if (!event.altKey || event.ctrlKey || event.shiftKey) return;
      const target = { KeyM: ask.elements.marking, KeyP: ask.elements.part }[event.code];
      if (target) target.focus();
      else if (event.code === "KeyT") one("button.copy")?.click();
      else return;
      event.preventDefault();
    });
  }

  /* ---- a whole instrument */
  if (!one("form.sheet#sheet")) return;
  const sheet = () => document.getElementById("sheet");
  /* each stored sheet has a draft of its own, and there is one for a sheet that is not stored yet */
  const stored = () => Number(one("[name=sheet-version]")?.value) ? one("[name=sheet-id]").value : "";
  const key = () => `partdate.sheet:${root}${stored() && `:${stored()}`}`;
  const home = () => root + (stored() ? `/casebook/${stored()}/edit` : "/check");
  const notes = () => document.getElementById("words").dataset;
  const taken = (form) => [...new FormData(form)].filter(([, text]) => typeof text === "string");
  const past = [];
  let dirty = false, last = "show", draftNote = "";

  const note = (text) => {
    draftNote = text;
    const bar = document.getElementById("draft");
    bar.hidden = !text;
    one("p", bar).textContent = text;
    one(".discard", bar).hidden = text === notes().saved;
  };
  const warn = (text) => {
    let bar = one(".offline");
    if (!text) return bar?.remove();
    if (!bar) {
      bar = document.createElement("p");
      bar.className = "offline fault";
      bar.setAttribute("role", "alert");
      one(".buttons").prepend(bar);
    }
    bar.textContent = text;
    return bar;
  };
  const keep = () => {
    if (!dirty) return;
    try {
      localStorage.setItem(key(), JSON.stringify({ entries: taken(sheet()), last }));
      if (draftNote !== notes().back && draftNote !== notes().kept) note(notes().kept);
    } catch {
      note(notes().unkept);
    }
  };
  const forget = () => {
    dirty = false;
    try { localStorage.removeItem(key()); } catch { /* nothing was kept */ }
  };

  const place = (element) => element?.getBoundingClientRect().top ?? 0;
  const swap = (page, from) => {
    const before = place(from);
    const opened = new Set([...document.querySelectorAll("details[open] > summary")].map((s) => s.textContent.trim()));
    main().replaceWith(one("main", page));
    document.title = page.title;
    for (const id of ["options", "bench", "tail"]) {
      const folded = one(`#${id}, .${id}`);
      if (folded?.tagName === "DETAILS" && opened.has(one("summary", folded).textContent.trim())) folded.open = true;
    }
    note(draftNote);
    return before;
  };

  /* the server has the sheet: only now the draft may go; the answer and what is unfolded stay as they are */
  const saved = (page) => {
    forget();
    draftNote = "";
    if (one("#wrong-head")) swap(page);
    else for (const id of ["place", "placed", "told"]) document.getElementById(id).replaceWith(one(`#${id}`, page));
    history.replaceState(null, "", home());
    note("");
    document.getElementById("kept").textContent = one("#told p").textContent;
    say(one("#told p").textContent);
  };

  const send = async (entries, act, from) => {
    const to = from?.getAttribute("formaction")?.split("#")[0] || `${root}/check`;
    const data = new FormData();
    for (const [name, value] of entries) if (name !== "do") data.append(name, value);
    data.append("do", act);
    main().inert = true; // nothing typed meanwhile can be lost
    try {
      const response = await fetch(to, { method: "POST", body: data, headers: { Accept: "text/html" } });
      if (act === "sheet" && response.headers.get("Content-Type") === "application/json") {
        const link = document.createElement("a");
        link.href = URL.createObjectURL(await response.blob());
        link.download = "sheet.json";
        link.click();
        URL.revokeObjectURL(link.href);
        main().inert = false;
        forget();
        note(notes().saved);
        say(notes().saved);
        from?.focus();
        return;
      }
      const page = parsed(await response.text());
      if (one("#told[data-saved]", page)) {
        saved(page);
        main().inert = false;
        one("[value=keep]").focus({ preventScroll: true });
        return true;
      }
      if (!one("form.sheet", page)) throw new Error(one("main", page)?.textContent || body.dataset.refused);
      const top = swap(page, from);
      last = one("#answer-head, #wrong-head") ? "check" : "show";
      const target = one("[autofocus]") || one("#answer-head, #wrong-head") || one(".paste .fault + .field textarea") || one("#told button");
      if (target) {
        const reached = target.disabled ? target.parentElement.querySelector("button:enabled") : target;
        reached.focus({ preventScroll: true });
        const answered = reached.id.endsWith("-head");
        if (answered) reached.scrollIntoView({ block: "start", behavior: "instant" });
        else if (from && reached.name === "do" && from.name === "do") scrollBy({ top: place(reached) - top, behavior: "instant" });
        else reached.scrollIntoView({ block: "center", behavior: "instant" });
      }
      say(one("#told p")?.textContent || one("#answer-head, #wrong-head")?.parentElement.textContent || one(".paste .fault")?.textContent || "");
      keep();
      return true;
    } catch (error) {
      main().inert = false;
      from?.focus();
      warn(error instanceof TypeError ? body.dataset.offline : body.dataset.refused);
      keep();
      return false;
    }
  };

  /* rows of before, at the version of the same sheet that was seen last: what was saved meanwhile is not undone */
  const asSeen = (entries) => {
    const own = ([name]) => name.startsWith("sheet-");
    const now = taken(sheet()).filter(own);
    const same = JSON.stringify(entries.find(own)) === JSON.stringify(now[0]);
    return same ? [...entries.filter((one) => !own(one)), ...now] : entries;
  };

  body.addEventListener("submit", (event) => {
    if (event.target.id !== "sheet") return;
    const button = event.submitter;
    const act = button?.value || "check";
    if (act === "json") return keep();
    event.preventDefault();
    warn("");
    const changes = /^(up|down|copy|drop|try)-|^(rows|paste|theirs)$/.test(act);
    const entries = [...new FormData(sheet())];
    if (act === "undo" && past.length) {
      dirty = true;
      return send(asSeen(past.pop()), "show", button);
    }
    if (changes) {
      past.push(taken(sheet()));
      dirty = true;
    }
    return send(entries, act, button);
  });

  /* ---- cautions before the act, the kind or the feature being chosen */
  const cautions = (row) => {
    const slot = one(".row-cautions", row);
    const chosen = one("select[name$=-part]", row);
    const ids = new Set(chosen ? (chosen.selectedOptions[0]?.dataset.cautions || "").split(" ") : slot.dataset.own?.split(" "));
    const act = (one("[name$=-feature]", row)?.value || "").trim().toLowerCase().replace(/[\s_-]+/g, "-");
    const before = slot.textContent;
    const open = new Set([...slot.querySelectorAll("details[open]")].map((caution) => caution.dataset.caution));
    slot.replaceChildren(...[...document.querySelectorAll("#bench .caution")]
      .filter(({ dataset }) => ids.has(dataset.caution) || (act && (dataset.topics || "").split(" ").includes(act)))
      .map((caution) => {
        const shown = caution.cloneNode(true);
        shown.open = open.has(shown.dataset.caution);
        return shown;
      }));
    if (slot.textContent !== before) say([...slot.querySelectorAll("summary")].map((head) => head.textContent).join(" "));
  };

  /* ---- what is still unread, from head to tail */
  const tail = (row) => {
    const item = one(`.tail [data-row="${row.id.slice(4)}"]`);
    if (!item) return;
    const state = one("[name$=-state]", row).value;
    const filled = [..."marking feature value patent override_window".split(" ")].some((name) => one(`[name$="-${name}"]`, row)?.value.trim());
    const done = state === "no-mark" || (state === "read" && filled);
    const words = one("[data-done]", item);
    item.classList.toggle("done", done);
    words.textContent = done ? words.dataset.done : words.dataset.open;
  };

  /* ---- what a marking reads as, below it; and the kind that it belongs on, where none is chosen yet */
  let looking, glimpsed;
  const glimpse = async (row) => {
    const marking = one("[name$=-marking]", row), kind = one("[name$=-part]", row), shown = one(".glimpse", row);
    looking?.abort();
    if (!shown) return;
    if (!marking.value.trim()) { shown.textContent = ""; return; }
    const asked = new URLSearchParams({ marking: marking.value });
    if (kind.value && !kind.dataset.guessed) asked.set("part", kind.value);
    for (const name of ["maker", "country"]) if (sheet().elements[name].value.trim()) asked.set(name, sheet().elements[name].value);
    looking = new AbortController();
    const { signal } = looking;
    try {
      const response = await fetch(`${root}/?${asked}`, { signal, headers: { Accept: "text/html" } });
      const page = parsed(await response.text());
      if (signal.aborted || !row.isConnected) return;
      const days = [...page.querySelectorAll(".sum li")].map((item) => item.textContent);
      const head = one("#answer-head", page)?.lastChild.textContent.trim();
      shown.textContent = days.length ? days.slice(0, 4).join("; ") + (days.length > 4 ? " …" : "") : head || "";
      shown.classList.toggle("not", !days.length);
      if (shown.textContent) say(`${head || ""} ${days.slice(0, 3).join(", ")}`, 900);
      const kinds = [...page.querySelectorAll(".guess a")].map((link) => new URL(link.href).searchParams.get("part"));
      if (kind.tagName === "SELECT" && (!kind.value || kind.dataset.guessed)) {
        const guess = kinds.length === 1 ? kinds[0] : "";
        if (kind.value !== guess) {
          kind.value = guess;
          kind.dataset.guessed = "1";
          cautions(row);
        }
      }
    } catch { /* the draft is kept; what the marking reads as is seen when the sheet is checked */ }
  };

  let saving;
  body.addEventListener("input", (event) => {
    if (!event.target.closest("#sheet") || event.target.closest(".liked")) return;
    dirty = true;
    if (document.getElementById("kept")) document.getElementById("kept").textContent = "";
    last = "show";
    warn("");
    clearTimeout(saving);
    saving = setTimeout(keep, 250);
    const row = event.target.closest(".rows > li");
    if (row) {
      tail(row);
      if (/-(part|feature)$/.test(event.target.name)) cautions(row);
      if (/-part$/.test(event.target.name)) delete event.target.dataset.guessed;
      if (/-(part|marking)$/.test(event.target.name)) {
        clearTimeout(glimpsed);
        glimpsed = setTimeout(glimpse, PAUSE, row);
      }
    }
  });
  addEventListener("pagehide", keep);
  document.addEventListener("visibilitychange", () => { if (document.hidden) keep(); });
  body.addEventListener("click", (event) => {
    if (!event.target.closest(".discard")) return;
    forget();
    location.assign(home());
  });

  body.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && (event.ctrlKey || event.metaKey)) {
      event.preventDefault();
      one(".buttons .primary").click();
      return;
    }
    if (!event.altKey || event.ctrlKey || event.shiftKey) return;
    const row = event.target.closest(".rows > li");
    const press = (name) => row && one(`.row-acts [value^=${name}-]`, row);
    const act = {
      ArrowUp: () => event.target.tagName !== "SELECT" && press("up"),
      ArrowDown: () => event.target.tagName !== "SELECT" && press("down"),
      KeyD: () => press("copy"),
      KeyX: () => press("drop"),
      KeyA: () => one('.buttons [value="rows"]'),
      KeyU: () => one('#told [value="undo"]'),
      KeyT: () => one("button.copy"),
      KeyN: () => {
        const open = [...document.querySelectorAll(".tail li:not(.done)")];
        const here = row ? Number(row.id.slice(4)) : -1;
        const next = open.find((item) => Number(item.dataset.row) > here) || open[0];
        if (next) one(`#row-${next.dataset.row} [name$=marking]`).focus();
        return next;
      },
    }[event.code]?.();
    if (!act) return;
    event.preventDefault();
    if (act.tagName === "BUTTON" && !act.disabled) act.click();
  });

  /* ---- a draft of an earlier visit */
  const restore = () => {
    let draft;
    try { draft = JSON.parse(localStorage.getItem(key())); } catch { return; }
    if (!Array.isArray(draft?.entries)) return;
    const liked = taken(sheet()).filter(([name]) => ["lang", "dates", "units"].includes(name));
    const own = draft.entries.filter(([name]) => !["lang", "dates", "units"].includes(name));
    send([...own, ...liked], draft.last === "check" ? "check" : "show").then((done) => {
      if (!done) return;
      dirty = true;
      note(notes().back);
      say(notes().back);
    });
  };
  if (!one("#answer-head") && !one("#wrong-head") && !one("#told p")) restore();
})();
