// @ts-check
// The sheet: the PDF opens by itself; the print key prints it rather than this page.
import { by } from "./page.js";

addEventListener("keydown", (event) => {
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "p") { event.preventDefault(); by("print").click(); }
});
