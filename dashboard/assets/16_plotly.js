/* Plotly draws in the rooms where one compares and rehearses. It is large: it comes when such a room is entered. */
"use strict";

(function (S) {
  let coming = null;

  /** Give Plotly when it is there; the same promise for all who ask. */
  S.plotly = function () {
    coming ||= new Promise((resolve, reject) => {
      const script = document.createElement("script");
      script.src = document.querySelector("meta[name=plotly]").content;
      script.addEventListener("load", () => resolve(window.Plotly));
      script.addEventListener("error", () => {
        coming = null; // the network may be back when it is asked for again
        script.remove();
        reject(new Error("What draws the traces here could not be loaded. Is this tablet in Stokewatch's network?"));
      });
      document.head.append(script);
    });
    return coming;
  };
})(window.Stokewatch);
