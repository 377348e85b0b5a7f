// The pages in a real browser: what they load, how they are used, and who can use them.
//
//   node check.mjs PAGE.html...
//
// Ends with 0 when all is well, and else with 1 and a line for each fault. Chromium is that of
// the environment variable CHROMIUM, or the first that is found.
import { existsSync, readFileSync } from "node:fs";
import { basename, dirname, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import axe from "axe-core";
import { HtmlValidate, StaticConfigLoader } from "html-validate";
import puppeteer from "puppeteer-core";

const CHROMIUMS = ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"];
const PHONE = { width: 360, height: 740, isMobile: true, hasTouch: true, deviceScaleFactor: 2 };
const DESK = { width: 1280, height: 900 };
const WALL = { width: 2560, height: 1440 };
// What a file's name may hold; the pages that are made for this check have it in their texts.
const HOSTILE = "<script>alert";

let faults = 0;
let about = "";

function expect(what, isSo, found = "") {
  if (isSo) return;
  faults += 1;
  console.log(`${about}: ${what}${found === "" ? "" : `: ${found}`}`);
}

/** Opens a page, and takes note of all that it should not do. */
async function open(browser, file, viewport, scripts = true) {
  const page = await browser.newPage();
  await page.setViewport(viewport);
  await page.setJavaScriptEnabled(scripts);
  const folder = pathToFileURL(`${dirname(file)}/`).href;
  page.on("request", (request) => {
    const url = request.url();
    const own = url.startsWith("data:") || url.startsWith(folder);
    expect("asks for nothing from elsewhere", own, url);
  });
  page.on("console", (message) => {
    const bad = ["error", "warn"].includes(message.type());
    expect("says nothing on the console", !bad, message.text());
  });
  page.on("pageerror", (error) => expect("its script has no fault", false, error.message));
  page.on("dialog", async (dialog) => {
    expect("runs nothing of a name", false, dialog.message());
    await dialog.dismiss();
  });
  await page.goto(pathToFileURL(file).href, { waitUntil: "load" });
  return page;
}

const mode = (page, name) => page.click(`label[for=mode-${name}]`);

async function looksRight(browser, file) {
  for (const viewport of [PHONE, DESK, WALL]) {
    const page = await open(browser, file, viewport);
    const needed = await page.evaluate(() => {
      for (const details of document.querySelectorAll("details")) details.open = true;
      return document.documentElement.scrollWidth;
    });
    expect(`fits ${viewport.width} px`, needed <= viewport.width, `${needed} px wide`);
    const images = await page.$$eval("img:not([loading=lazy])", (all) =>
      all.filter((image) => !image.complete || image.naturalWidth === 0).length,
    );
    expect("shows every picture", images === 0, `${images} are missing`);
    await page.close();
  }
}

async function isReadableForAll(browser, file) {
  for (const viewport of [PHONE, DESK]) {
    const page = await open(browser, file, viewport);
    await page.evaluate(() => {
      for (const details of document.querySelectorAll("details")) details.open = true;
    });
    await page.evaluate(axe.source);
    for (const light of ["light", "dark"]) {
      await mode(page, light);
      const found = await page.evaluate(() => globalThis.axe.run());
      expect("was looked at by axe", found.passes.length > 10);
      // What axe cannot decide by itself, such as text over a picture, is for eyes.
      for (const { id, nodes } of found.incomplete) {
        const why = [...nodes[0].any, ...nodes[0].all, ...nodes[0].none][0]?.message ?? "";
        console.log(`${about}: to be looked at in ${light}: ${nodes.length} of ${id}: ${why}`);
      }
      for (const { id, impact, nodes } of found.violations) {
        const serious = impact === "serious" || impact === "critical";
        const where = `${id} (${impact}): ${nodes[0].html.slice(0, 120)}`;
        expect(`has no serious fault for readers in ${light}`, !serious, where);
        if (!serious) console.log(`${about}: note: ${where}`);
      }
    }
    await page.close();
  }
}

async function isText(browser, file) {
  // Without the script, which moves pictures by custom properties of their own.
  const page = await open(browser, file, DESK, false);
  const seen = await page.evaluate(() => ({
    scripts: document.scripts.length,
    handlers: [...document.querySelectorAll("*")].filter((element) =>
      element.getAttributeNames().some((name) => name.startsWith("on") || name === "style"),
    ).length,
    text: document.body.textContent,
  }));
  const own = readFileSync(file, "utf8").includes("script-src") ? 1 : 0;
  expect("has no script but its own", seen.scripts === own, `${seen.scripts}`);
  expect("has neither handlers nor styles in its elements", seen.handlers === 0);
  const hostile = readFileSync(file, "utf8").includes("&lt;script&gt;alert");
  if (hostile) expect("shows markup in names as text", seen.text.includes(HOSTILE));
  await page.close();
}

const bringIntoView = (page, what) =>
  page.$eval(what, (one) => one.scrollIntoView({ block: "center", behavior: "instant" }));
const valueOf = (page) => page.$eval(".divider", (one) => Number(one.getAttribute("aria-valuenow")));
const cutOf = (page) =>
  page.$eval(".stage figure.after", (one) => getComputedStyle(one).clipPath);

async function dividerMoves(browser, file) {
  const page = await open(browser, file, DESK);
  if (!(await page.$(".divider"))) return page.close();
  await page.focus(".divider");
  const begin = await cutOf(page);
  expect("the divider begins in the middle", (await valueOf(page)) === 50);
  for (const [key, want] of [["ArrowRight", 52], ["ArrowLeft", 50], ["PageUp", 60], ["Home", 0], ["End", 100]]) {
    await page.keyboard.press(key);
    expect(`${key} moves the divider`, (await valueOf(page)) === want, `${await valueOf(page)}`);
  }
  expect("the picture follows the divider", (await cutOf(page)) !== begin);

  await page.keyboard.press("Home");
  await page.keyboard.press("PageUp");
  await bringIntoView(page, ".view");
  const box = await (await page.$(".view")).boundingBox();
  const grip = await (await page.$(".divider")).boundingBox();
  await page.mouse.move(grip.x + grip.width / 2, grip.y + grip.height / 2);
  await page.mouse.down();
  await page.mouse.move(box.x + 0.75 * box.width, box.y + 20, { steps: 4 });
  await page.mouse.up();
  const dragged = await valueOf(page);
  expect("the mouse drags the divider", Math.abs(dragged - 75) <= 1, `${dragged}`);
  await page.mouse.move(box.x, box.y, { steps: 2 });
  expect("and lets go of it", (await valueOf(page)) === dragged);
  await page.close();

  const phone = await open(browser, file, PHONE);
  await bringIntoView(phone, ".view");
  const view = await (await phone.$(".view")).boundingBox();
  const [x, y] = [view.x + view.width / 2, view.y + view.height / 2];
  await phone.touchscreen.touchStart(x, y);
  await phone.touchscreen.touchMove(view.x + 0.25 * view.width, y);
  await phone.touchscreen.touchEnd();
  const touched = await valueOf(phone);
  expect("a finger drags the divider", Math.abs(touched - 25) <= 1, `${touched}`);
  await phone.close();
}

/** Sizes of the pictures that are shown, over their own. */
const enlarged = (page) =>
  page.$$eval(".stage figure:is(.before, .after) img", (all) =>
    all.map((image) => [
      image.getBoundingClientRect().width / Number(image.getAttribute("width")),
      getComputedStyle(image).imageRendering,
    ]),
  );

async function zoomIsLinked(browser, file) {
  const page = await open(browser, file, DESK);
  if (!(await page.$("#zoom-300"))) return page.close();
  for (const [percent, rendering] of [[300, "pixelated"], [200, "pixelated"], [100, "auto"]]) {
    await page.click(`label[for=zoom-${percent}]`);
    const sizes = await enlarged(page);
    const all = sizes.every(([size, drawn]) => Math.abs(size - percent / 100) < 0.01 && drawn === rendering);
    expect(`all pictures are shown at ${percent} %`, sizes.length >= 2 && all, JSON.stringify(sizes));
  }
  await page.focus("#zoom-100");
  await page.keyboard.press("ArrowRight");
  await page.keyboard.press("ArrowRight");
  expect("keys choose the size", await page.$eval("#zoom-300", (one) => one.checked));

  const places = () =>
    page.$$eval(".pair:first-child .stage figure:is(.before, .after) img, .spot:first-child .stage figure:is(.before, .after) img", (all) =>
      all.map((image) => {
        const box = image.getBoundingClientRect();
        return [box.left, box.top];
      }),
    );
  const before = await places();
  const view = await page.$(".view");
  await view.focus();
  const scrolled = () => page.$eval(".view", (one) => one.scrollLeft);
  const start = await scrolled();
  await page.keyboard.press("ArrowRight");
  await page.waitForFunction((from) => document.querySelector(".view").scrollLeft > from, {}, start);
  const after = await places();
  expect("both pictures move together", after[0][0] === after[1][0] && after[0][0] < before[0][0]);

  await bringIntoView(page, ".view");
  const box = await view.boundingBox();
  const from = await scrolled();
  await page.mouse.move(box.x + 40, box.y + 40);
  await page.mouse.down();
  await page.mouse.move(box.x + 10, box.y + 30, { steps: 3 });
  await page.mouse.up();
  expect("the mouse moves an enlarged picture", (await scrolled()) > from);
  await page.close();
}

async function choiceOfSides(browser, file) {
  const page = await open(browser, file, DESK);
  const select = await page.$("select[data-side=after]");
  if (!select) return page.close();
  const shown = () => page.$eval(".stage figure.after figcaption", (one) => one.textContent);
  const values = await select.$$eval("option", (all) => all.map((one) => one.value));
  const names = new Set();
  for (const value of values) {
    await select.select(value);
    names.add(await shown());
  }
  expect("every result can be chosen", names.size === values.length, [...names].join(", "));
  await page.close();
}

async function keysReachEverything(browser, file) {
  const page = await open(browser, file, DESK);
  const wanted = await page.evaluate(() => {
    const all = document.querySelectorAll("a[href], summary, select, [tabindex='0'], input:checked");
    return [...all].filter((one) => one.getClientRects().length > 0 && !one.closest("details:not([open]) > :not(summary)")).length;
  });
  const reached = await page.evaluateHandle(() => new Set());
  let unseen = "";
  for (let i = 0; i < wanted + 5; i += 1) {
    await page.keyboard.press("Tab");
    const shown = await page.evaluate((set) => {
      const one = document.activeElement;
      if (one === document.body) return "";
      set.add(one);
      const mark = one.matches("input") ? one.nextElementSibling : one;
      return getComputedStyle(mark).outlineStyle === "none" ? one.outerHTML.slice(0, 80) : "";
    }, reached);
    unseen ||= shown;
  }
  const n = await page.evaluate((set) => set.size, reached);
  expect("keys reach everything", n >= wanted, `${n} of ${wanted}`);
  expect("what has the focus is marked", unseen === "", unseen);
  await page.close();
}

/** The brightest value of each channel in a screenshot. */
async function brightest(browser, png) {
  const page = await browser.newPage();
  const found = await page.evaluate(async (data) => {
    const picture = new Image();
    picture.src = `data:image/png;base64,${data}`;
    await picture.decode();
    const canvas = new OffscreenCanvas(picture.width, picture.height).getContext("2d");
    canvas.drawImage(picture, 0, 0);
    const values = canvas.getImageData(0, 0, picture.width, picture.height).data;
    const most = [0, 0, 0];
    for (let i = 0; i < values.length; i += 1) {
      if (i % 4 < 3) most[i % 4] = Math.max(most[i % 4], values[i]);
    }
    return most;
  }, png);
  await page.close();
  return found;
}

async function redIsRed(browser, file) {
  const page = await open(browser, file, DESK);
  await mode(page, "red");
  for (const share of [0, 0.15, 0.35, 0.6]) {
    await page.evaluate((to) => scrollTo({ top: to * document.body.scrollHeight, behavior: "instant" }), share);
    const [red, green, blue] = await brightest(browser, await page.screenshot({ encoding: "base64" }));
    const isSo = red > 100 && green === 0 && blue === 0;
    expect("red light is red and nothing else", isSo, `${red}, ${green}, ${blue}`);
  }
  await page.close();
}

/** Whether the pictures of every pair are seen, and none over another. */
const sideBySide = (page) =>
  page.$$eval(".stage", (stages) =>
    stages.every((stage) => {
      const boxes = [...stage.querySelectorAll("img")].map((image) => image.getBoundingClientRect());
      const seen = boxes.every((box) => box.width > 50 && box.height > 30);
      const clear = getComputedStyle(stage.querySelector("figure:last-child")).clipPath === "none";
      return seen && clear && boxes.every((a, i) => boxes.slice(0, i).every((b) => b.right <= a.left + 1 || b.bottom <= a.top + 1));
    }),
  );

async function worksWithoutScript(browser, file) {
  const page = await open(browser, file, DESK, false);
  expect("without a script pictures stand side by side", await sideBySide(page));
  await page.close();
}

async function prints(browser, file) {
  const page = await open(browser, file, DESK);
  await mode(page, "red");
  await page.emulateMediaType("print");
  const seen = await page.evaluate(() => ({
    controls: [...document.querySelectorAll(".modes, .needs-script, .divider, .sides")].filter(
      (one) => one.getClientRects().length > 0,
    ).length,
    folded: [...document.querySelectorAll("details > :not(summary)")].filter(
      (one) => one.getBoundingClientRect().height === 0,
    ).length,
    paper: getComputedStyle(document.body).backgroundColor,
  }));
  expect("no button is printed", seen.controls === 0, `${seen.controls}`);
  expect("everything is unfolded in print", seen.folded === 0, `${seen.folded} are not`);
  expect("paper stays light", seen.paper === "rgb(251, 250, 247)", seen.paper);
  expect("pictures are printed side by side", await sideBySide(page));
  const pdf = await page.pdf({ format: "A4" });
  expect("a PDF is made", pdf.length > 1000);
  await page.close();
}

async function isValid(file) {
  const loader = new StaticConfigLoader({
    extends: ["html-validate:standard"],
    // The source is made by a program: how it is laid out on lines is no fault.
    rules: { "no-trailing-whitespace": "off" },
  });
  // Pictures are no markup, and long.
  const markup = readFileSync(file, "utf8").replaceAll(/data:image\/png;base64,[^"]*/g, "data:,");
  const report = await new HtmlValidate(loader).validateString(markup, basename(file));
  for (const { messages } of report.results) {
    for (const { ruleId, message, line, column } of messages) {
      expect("is valid HTML", false, `${line}:${column} ${ruleId}: ${message}`);
    }
  }
}

const CHECKS = [
  looksRight, isText, isReadableForAll, dividerMoves, zoomIsLinked, choiceOfSides,
  keysReachEverything, redIsRed, worksWithoutScript, prints,
];

const executablePath = process.env.CHROMIUM ?? CHROMIUMS.find((path) => existsSync(path));
if (!executablePath || process.argv.length < 3) {
  console.log("usage: node check.mjs PAGE.html...; Chromium is needed");
  process.exit(2);
}
// Pages of ours are all that is opened, and a container may not give a sandbox.
const browser = await puppeteer.launch({ executablePath, args: ["--no-sandbox"] });
try {
  for (const name of process.argv.slice(2)) {
    const file = resolve(name);
    about = basename(file);
    await isValid(file);
    for (const check of CHECKS) {
      await check(browser, file).catch((error) => expect(`${check.name} can be checked`, false, error.message));
    }
    console.log(`${about}: looked at`);
  }
} finally {
  await browser.close();
}
process.exit(faults === 0 ? 0 : 1);
