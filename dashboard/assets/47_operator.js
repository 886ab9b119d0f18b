/* Who may act: everybody at the logger's own computer; in a network who has entered the PIN. */
"use strict";

(function (S) {
  const $ = (id) => document.getElementById(id);
  let me = { needed: false, operator: true, who: "" };
  let asking = null;

  /** Watchers see the buttons too, and are asked for the PIN when they use one; a mere view has none. */
  S.mayAct = () => me.operator || me.needed;

  function show() {
    const button = $("operator");
    button.hidden = !me.needed;
    button.textContent = me.operator ? `Operator${me.who ? ` ${me.who}` : ""} ▾` : "Watching: act …";
    document.body.dataset.view = String(!S.mayAct());
  }

  async function look() {
    try {
      me = await S.getJson("/api/operator");
    } catch { /* the page says by itself that nothing answers */ }
    show();
  }

  /** Ask for the PIN; resolves to whether it was given. One dialog, however many ask. */
  S.enterPin = function () {
    asking ||= new Promise((resolve) => {
      const box = S.dialog("Operator", (form) => {
        form.append(S.el("p", "hint", "Everybody may watch. Who acts on the firing enters the PIN that Stokewatch told at its start."));
        const pin = S.field(form, "PIN", S.input("password", { inputmode: "numeric", autocomplete: "off", maxlength: 12 }));
        const who = S.field(form, "Your name, for the log (if you like)", S.input("text", { maxlength: 40, autocomplete: "off" }));
        return async () => {
          try {
            me = await S.postJson("/api/operator", { pin: pin.value, who: who.value });
          } finally {
            pin.value = "";
            pin.focus();
          }
          show();
        };
      });
      box.addEventListener("close", () => { asking = null; resolve(box.returnValue === "done"); });
    });
    return asking;
  };

  S.startOperator = function () {
    $("operator").addEventListener("click", async () => {
      if (!me.operator) return S.enterPin();
      me = await S.postJson("/api/operator/leave", {});
      return show();
    });
    look();
    // A session ends by itself, or by a new PIN.
    setInterval(look, 60_000);
  };
})(window.Stokewatch);
