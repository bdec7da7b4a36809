// Opens a page in a browser and prints what a reader would meet, as JSON.
// Usage: node browser.mjs TOOLS BROWSER FILE, where TOOLS holds node_modules.
import { createRequire } from "node:module";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const [tools, executablePath, file] = process.argv.slice(2);
const require = createRequire(join(tools, "x.js"));
const { chromium } = require("playwright-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const address = pathToFileURL(file).href;
const SIZES = { desktop: { width: 1200, height: 900 }, phone: { width: 380, height: 760 } };

const browser = await chromium.launch({
  executablePath,
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking"],
});

async function open(size, scripts) {
  const context = await browser.newContext({
    viewport: SIZES[size],
    javaScriptEnabled: scripts,
    bypassCSP: true,
    reducedMotion: "reduce",
  });
  const page = await context.newPage();
  const asked = [];
  page.on("request", (request) => asked.push(request.url()));
  await page.goto(address, { waitUntil: "load" });
  return { page, context, asked };
}

// What is wrong with figures, tables and links, read from the page as the browser built it.
function lookOver() {
  const words = (node) => node.textContent.trim().slice(0, 60);
  const unnamed = [...document.querySelectorAll("svg, img")].filter(
    (node) => !(node.getAttribute("aria-label") || node.getAttribute("alt") || "").trim(),
  );
  const tables = [...document.querySelectorAll("table")];
  const headless = tables.filter((table) => {
    const heads = [...table.querySelectorAll("thead th")];
    const rows = [...table.querySelectorAll("tbody tr")];
    const named = (row) => row.querySelector('th[scope="row"]') || row.querySelector("th[scope=rowgroup]");
    const covered = (row) => row.parentElement.querySelector('th[scope="rowgroup"]');
    return (
      !table.caption?.textContent.trim() ||
      !heads.length ||
      heads.some((head) => head.scope !== "col") ||
      rows.some((row) => !named(row) && !covered(row))
    );
  });
  const links = [...document.querySelectorAll('a[href^="#"]')];
  const dead = links.filter((link) => !document.getElementById(link.hash.slice(1)));
  const boxes = [...document.querySelectorAll(".table-box")];
  return {
    unnamed: unnamed.map(words),
    headless: headless.map((table) => words(table)),
    dead: dead.map((link) => link.hash),
    n_figures: document.querySelectorAll("svg").length,
    n_tables: tables.length,
    n_contents: document.querySelectorAll(".contents a").length,
    text: document.querySelector("main").innerText.length,
    width: document.documentElement.scrollWidth,
    unreachable: boxes.filter((box) => box.scrollWidth > box.clientWidth && box.tabIndex < 0).length,
  };
}

// Goes to entries of the contents by a click and says which did not come into view.
async function follow(page) {
  const lost = [];
  const links = await page.$$(".contents a[href^='#']");
  const some = links.filter((link, at) => at % Math.ceil(links.length / 12) === 0);
  for (const link of some) {
    await link.click();
    const target = await link.getAttribute("href");
    const top = await page.evaluate(
      (id) => document.getElementById(id.slice(1)).getBoundingClientRect().top,
      target,
    );
    if (top < -1 || top > SIZES.desktop.height) lost.push(`${target} ${top}`);
  }
  return { n: some.length, lost };
}

// Walks the page by the tab key alone: every stop must be seen to have the focus, in order.
async function walk(page) {
  const wanted = await page.evaluate(
    () => [...document.querySelectorAll("a[href], summary, [tabindex='0']")]
      .filter((node) => node.checkVisibility()).length,
  );
  const unseen = [];
  let first = "", reached = 0;
  for (; reached < wanted; reached += 1) {
    await page.keyboard.press("Tab");
    const at = await page.evaluate(() => {
      const node = document.activeElement;
      if (!node || node === document.body) return null;
      const look = getComputedStyle(node);
      return { name: node.className || node.tagName, ring: look.outlineStyle !== "none" };
    });
    if (!at) break;
    if (reached === 0) first = at.name;
    if (!at.ring) unseen.push(at.name);
  }
  return { wanted, reached, first, unseen };
}

// What paper would cut or crowd: parts that do not begin a sheet, figures higher than one.
async function print(page) {
  await page.emulateMedia({ media: "print" });
  await page.setViewportSize({ width: 673, height: 980 });
  const found = await page.evaluate(() => {
    const of = (query) => [...document.querySelectorAll(query)];
    // A tall figure comes in parts: each of them is to be whole.
    const whole = of("figure:not(.parts), figure.parts svg");
    const breaks = of(".chapter ~ .chapter").map((node) => getComputedStyle(node).breakBefore);
    return {
      no_break: breaks.filter((value) => value !== "page").length,
      too_high: whole.filter((node) => node.getBoundingClientRect().height > 980).length,
      cut: whole.filter((node) => getComputedStyle(node).breakInside !== "avoid").length,
      heads: of("thead").filter((node) => getComputedStyle(node).display !== "table-header-group").length,
      wide: of("table, figure svg").filter((node) => node.getBoundingClientRect().right > 674).length,
    };
  });
  const pdf = (await page.pdf({ preferCSSPageSize: true })).toString("base64");
  return { ...found, pdf };
}

const found = {};
for (const size of Object.keys(SIZES)) {
  const { page, context, asked } = await open(size, true);
  found[size] = { ...(await page.evaluate(lookOver)), view: SIZES[size].width };
  if (size === "phone") {
    await page.evaluate(axe);
    const judged = await page.evaluate(() =>
      globalThis.axe.run(document, { resultTypes: ["violations"] }),
    );
    const grave = judged.violations.filter((fault) => ["serious", "critical"].includes(fault.impact));
    found.grave = grave.map(
      (fault) => `${fault.id}: ${fault.nodes.slice(0, 3).map((node) => node.target).join(" | ")}`,
    );
    found.n_rules = judged.passes.length;
  } else {
    found.keyboard = await walk(page);
    found.contents = await follow(page);
    found.print = await print(page);
  }
  found[size].asked = asked.filter((url) => url.split("#")[0] !== address);
  await context.close();
}
const plain = await open("desktop", false);
found.without_scripts = await plain.page.evaluate(lookOver);
await browser.close();
process.stdout.write(JSON.stringify(found));
