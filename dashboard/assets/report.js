/* Files from and to this tablet: the report's form and photos, and readings to import. */
"use strict";

(() => {
  const { set, door } = window.stokewatch;
  const NOTHING = () => window.dash_clientside.no_update;

  async function take(firing, files, turn) {
    const wrong = [];
    for (const [n, file] of files.entries()) {
      set("report-photos-said", { children: `Adding ${n + 1} of ${files.length} …` });
      const [, refused] = await door(`/api/report/photos?firing=${encodeURIComponent(firing)}`, file);
      if (refused) wrong.push(`${file.name}: ${refused}`);
      set("report-photos-turn", { data: turn + n + 1 });
    }
    set("report-photos-said", { children: wrong.join(" ") || `${files.length === 1 ? "The photo is" : `${files.length} photos are`} kept.` });
  }

  async function takeReadings(files) {
    let batch = "";
    const names = [];
    for (const file of files) {
      set("import-files", { children: `Sending ${file.name} …` });
      const [said, refused] = await door(`/api/firings/upload?name=${encodeURIComponent(file.name)}&batch=${batch}`, file);
      if (refused) return set("import-files", { children: `${file.name}: ${refused}` });
      batch = said.batch;
      names.push(said.name);
    }
    return set("import-sent", { data: { batch, files: names } });
  }

  function choose(accept, taken) {
    const input = Object.assign(document.createElement("input"), { type: "file", accept, multiple: true });
    input.hidden = true;
    document.body.append(input); // a browser may forget one that is nowhere
    input.onchange = input.oncancel = () => {
      input.remove();
      if (input.files.length) taken([...input.files]);
    };
    input.click();
    return NOTHING();
  }

  Object.assign(window.dash_clientside.stokewatch, {
    retemplate(theme, templates) {
      for (const plot of document.querySelectorAll(".js-plotly-plot")) window.Plotly.relayout(plot, { template: templates[theme] });
      return NOTHING();
    },
    report_changed(values, saved, ids, said) {
      const changed = ids.some((id, n) => (values[n] || "") !== (saved?.[id.name] || ""));
      if (changed) return "Not saved yet; kept on this tablet.";
      return said === "Saved." || said === "Nothing was changed." ? said : "";
    },
    report_photos: (_, firing, turn) => choose("image/jpeg,image/png,image/webp", (files) => take(firing, files, turn || 0)),
    import_files: () => choose(".csv,.txt,.tsv,.dat,.log,text/*", takeReadings),
    save_file(address) {
      if (address) Object.assign(document.createElement("a"), { href: address, download: "" }).click();
      return NOTHING();
    },
  });
})();
