/* The report's form and files: what is not saved yet, and photos from this tablet. */
"use strict";

(() => {
  const { set, door } = window.stokewatch;

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
      const input = Object.assign(document.createElement("input"), { type: "file", accept: "image/jpeg,image/png,image/webp", multiple: true });
      input.hidden = true;
      document.body.append(input); // a browser may forget one that is nowhere
      input.onchange = input.oncancel = () => {
        input.remove();
        if (input.files.length) take(firing, [...input.files], turn || 0);
      };
      input.click();
      return window.dash_clientside.no_update;
    },
  });
})();
