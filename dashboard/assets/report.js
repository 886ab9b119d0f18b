/* The report's form and files: what is not saved yet, photos from this tablet, and its own time zone. */
"use strict";

(() => {
  const set = (id, props) => window.dash_clientside.set_props(id, props);

  async function send(firing, file) {
    try {
      const answer = await fetch(`/api/report/photos?firing=${encodeURIComponent(firing)}`, {
        method: "POST",
        headers: { "content-type": "application/octet-stream" },
        body: file,
      });
      if (answer.ok) return "";
      if (answer.status === 401) set("pin-dialog", { opened: true });
      const said = await answer.json();
      return `${file.name}: ${said.error || said.detail || `refused (${answer.status})`}`;
    } catch {
      return "Stokewatch doesn't answer. Is its computer on, and this tablet in its network?";
    }
  }

  async function take(firing, files, turn) {
    const wrong = [];
    for (const [n, file] of files.entries()) {
      set("report-photos-said", { children: `Adding ${n + 1} of ${files.length} …` });
      const refused = await send(firing, file);
      if (refused) wrong.push(refused);
      set("report-photos-turn", { data: turn + n + 1 });
    }
    set("report-photos-said", { children: wrong.join(" ") || `${files.length === 1 ? "The photo is" : `${files.length} photos are`} kept.` });
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
      const input = Object.assign(document.createElement("input"), { type: "file", accept: "image/jpeg,image/png,image/webp", multiple: true });
      input.hidden = true;
      document.body.append(input); // a browser may forget one that is nowhere
      input.addEventListener("change", () => {
        take(firing, [...input.files], turn || 0);
        input.remove();
      });
      input.addEventListener("cancel", () => input.remove());
      input.click();
      return window.dash_clientside.no_update;
    },
  });
})();
