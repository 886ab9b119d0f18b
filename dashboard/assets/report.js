/* Files from and to this tablet: the report's form and photos, readings to import, and its own time zone. */
"use strict";

(() => {
  const set = (id, props) => window.dash_clientside.set_props(id, props);

  async function send(address, file) {
    try {
      const headers = { "content-type": "application/octet-stream" };
      const answer = await fetch(address, { method: "POST", headers, body: file });
      if (answer.status === 401) set("pin-dialog", { opened: true });
      const said = await answer.json();
      return answer.ok ? said : { wrong: `${file.name}: ${said.error || said.detail || `refused (${answer.status})`}` };
    } catch {
      return { wrong: "Stokewatch doesn't answer. Is its computer on, and this tablet in its network?" };
    }
  }

  async function take(firing, files, turn) {
    const wrong = [];
    for (const [n, file] of files.entries()) {
      set("report-photos-said", { children: `Adding ${n + 1} of ${files.length} …` });
      const said = await send(`/api/report/photos?firing=${encodeURIComponent(firing)}`, file);
      if (said.wrong) wrong.push(said.wrong);
      set("report-photos-turn", { data: turn + n + 1 });
    }
    set("report-photos-said", { children: wrong.join(" ") || `${files.length === 1 ? "The photo is" : `${files.length} photos are`} kept.` });
  }

  async function takeReadings(files) {
    let batch = "";
    const names = [];
    for (const file of files) {
      set("import-files", { children: `Sending ${file.name} …` });
      const said = await send(`/api/firings/upload?name=${encodeURIComponent(file.name)}&batch=${batch}`, file);
      if (said.wrong) return set("import-files", { children: said.wrong });
      batch = said.batch;
      names.push(said.name);
    }
    return set("import-sent", { data: { batch, files: names } });
  }

  function choose(accept, taken) {
    const input = Object.assign(document.createElement("input"), { type: "file", accept, multiple: true });
    input.hidden = true;
    document.body.append(input); // a browser may forget one that is nowhere
    input.addEventListener("change", () => {
      taken([...input.files]);
      input.remove();
    });
    input.addEventListener("cancel", () => input.remove());
    input.click();
    return window.dash_clientside.no_update;
  }

  // The report tells the time of day where the tablet is, not where the computer thinks it is.
  document.addEventListener(
    "click",
    (event) => {
      const link = event.target.closest?.("a[data-zoned]");
      if (!link) return;
      const address = new URL(link.href);
      address.searchParams.set("zone", Intl.DateTimeFormat().resolvedOptions().timeZone || "");
      link.href = address.href;
    },
    true,
  );

  Object.assign(window.dash_clientside.stokewatch, {
    retemplate(theme, templates) {
      for (const plot of document.querySelectorAll(".js-plotly-plot")) window.Plotly.relayout(plot, { template: templates[theme] });
      return window.dash_clientside.no_update;
    },
    report_changed(values, saved, ids, said) {
      const changed = ids.some((id, n) => (values[n] || "") !== (saved?.[id.name] || ""));
      if (changed) return "Not saved yet; kept on this tablet.";
      return said === "Saved." || said === "Nothing was changed." ? said : "";
    },
    report_photos(_, firing, turn) {
      return choose("image/jpeg,image/png,image/webp", (files) => take(firing, files, turn || 0));
    },
    import_files: () => choose(".csv,.txt,.tsv,.dat,.log,text/*", takeReadings),
    save_file(address) {
      if (address) Object.assign(document.createElement("a"), { href: address, download: "" }).click();
      return window.dash_clientside.no_update;
    },
  });
})();
