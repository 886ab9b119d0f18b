/* Files to and from this tablet: the report's photos, readings to import, downloads; and day and night for figures. */
"use strict";

(() => {
  const { set, door } = window.stokewatch;
  const NOTHING = () => window.dash_clientside.no_update;

  /** Send files one after another; shows progress, and at the end what was refused. */
  async function send(files, address, said, each) {
    const wrong = [];
    for (const [n, file] of files.entries()) {
      set(said, { children: `Sending ${n + 1} of ${files.length}: ${file.name} …` });
      const [answer, refused] = await door(address(encodeURIComponent(file.name)), file);
      if (refused) wrong.push(`${file.name}: ${refused}`);
      else each(answer, n);
    }
    set(said, { children: wrong.join(" ") || "Done." });
  }

  function choose(accept, taken) {
    const input = Object.assign(document.createElement("input"), { type: "file", accept, multiple: true, hidden: true });
    document.body.append(input); // a browser may drop one that isn't in the document
    input.onchange = input.oncancel = () => {
      input.remove();
      if (input.files.length) taken([...input.files]);
    };
    input.click();
    return NOTHING();
  }

  Object.assign(window.dash_clientside.stokewatch, {
    retemplate(theme, templates) {
      for (const plot of document.querySelectorAll(".js-plotly-plot:not(#fire *)")) window.Plotly.relayout(plot, { template: templates[theme] });
      return NOTHING();
    },
    report_photos: (_, firing, turn) =>
      choose("image/jpeg,image/png,image/webp", (files) => {
        const address = () => `/api/report/photos?firing=${encodeURIComponent(firing)}`;
        send(files, address, "report-photos-said", (_, n) => set("report-photos-turn", { data: (turn || 0) + n + 1 }));
      }),
    import_files: () =>
      choose(".csv,.txt,.tsv,.dat,.log,text/*", (files) => {
        const sent = { batch: "", files: [] };
        const address = (name) => `/api/firings/upload?name=${name}&batch=${sent.batch}`;
        send(files, address, "import-files", (said) => {
          sent.batch = said.batch;
          sent.files.push(said.name);
          if (sent.files.length === files.length) set("import-sent", { data: sent });
        });
      }),
    save_file(address) {
      if (address) Object.assign(document.createElement("a"), { href: address, download: "" }).click();
      return NOTHING();
    },
  });
})();
