// Keeps the page up to date and hands frames over. Everything asked for is on this server.
"use strict";

const byId = (id) => document.getElementById(id);
let version = Number(document.body.dataset.version);

// --- what is shown --------------------------------------------------------------------------

function openedIn(part) {
  return [...part.querySelectorAll("details")].map((one) => one.open);
}

function put(part, html) {
  const opened = openedIn(part);
  part.innerHTML = html;
  part.querySelectorAll("details").forEach((one, nth) => { one.open = Boolean(opened[nth]); });
}

function putPlaces(names) {
  const list = byId("into");
  const chosen = list.value;
  while (list.options.length > 1) list.remove(1);
  names.forEach((name, nth) => list.add(new Option(name, String(nth))));
  list.value = chosen !== "" && Number(chosen) < names.length ? chosen : "";
  byId("where").hidden = names.length < 2;
}

function show(now) {
  version = now.version;
  document.body.dataset.version = String(version);
  const time = new Date().toLocaleTimeString([], { hour12: false });
  byId("status").textContent = `${now.status} Last change ${time}.`;
  put(byId("notes"), now.notes);
  put(byId("answer"), now.answer);
  // A choice that is being made is not taken away.
  if (document.activeElement?.id !== "choice") put(byId("buttons"), now.buttons);
  put(byId("sections"), now.sections);
  putPlaces(now.places);
  document.title = byId("answer").querySelector("h1")?.textContent ?? "stillpoint";
}

async function refresh() {
  const reply = await fetch("/now", { cache: "no-store" });
  if (reply.status === 401) location.reload();
  if (reply.ok) show(await reply.json());
}

function follow() {
  const news = new EventSource("/events");
  news.addEventListener("shown", (event) => {
    byId("lost").hidden = true;
    if (Number(event.data) !== version) refresh().catch(() => { byId("lost").hidden = false; });
  });
  news.onerror = () => {
    byId("lost").hidden = false;
    // A browser gives up where the server refuses: it may ask for the code again.
    if (news.readyState === EventSource.CLOSED) setTimeout(() => location.reload(), 5000);
  };
}

// --- what is noted --------------------------------------------------------------------------

document.addEventListener("submit", async (event) => {
  if (!byId("buttons").contains(event.target)) return;
  event.preventDefault();
  const form = event.target;
  form.querySelectorAll("button").forEach((one) => { one.disabled = true; one.blur(); });
  const reply = await fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)) })
    .catch(() => null);
  if (!reply?.ok) {
    byId("status").textContent = reply ? await reply.text() : "The computer cannot be reached.";
  }
  form.querySelectorAll("button").forEach((one) => { one.disabled = false; });
  await refresh().catch(() => {});
});

// --- frames handed over ---------------------------------------------------------------------

function line(words) {
  const item = document.createElement("li");
  item.textContent = words;
  byId("sent").prepend(item);
  return item;
}

function send(file) {
  const item = line(`${file.name}: waiting`);
  return new Promise((done) => {
    const request = new XMLHttpRequest();
    const into = byId("into").value;
    const query = new URLSearchParams({ name: file.name });
    if (into !== "") query.set("into", into);
    request.open("POST", `/frames?${query}`);
    request.upload.onprogress = (event) => {
      item.textContent = `${file.name}: ${Math.round(100 * event.loaded / event.total)} % sent`;
    };
    request.onload = () => {
      const refused = request.responseText || `refused (${request.status})`;
      item.textContent = request.status === 201 ? `${file.name}: arrived` : `Not taken: ${refused}`;
      done();
    };
    request.onerror = () => { item.textContent = `Not sent: ${file.name}`; done(); };
    request.send(file);
  });
}

async function sendAll(files) {
  for (const file of [...files]) await send(file);
}

byId("files").addEventListener("change", (event) => {
  sendAll(event.target.files).then(() => { event.target.value = ""; });
});
for (const kind of ["dragover", "dragleave", "drop"]) {
  document.addEventListener(kind, (event) => {
    event.preventDefault();
    document.querySelector(".drop").classList.toggle("over", kind === "dragover");
    if (kind === "drop") sendAll(event.dataTransfer.files);
  });
}

// --- the switch is remembered ---------------------------------------------------------------

const night = byId("night");
night.checked = localStorage.getItem("night") === "yes";
night.addEventListener("change", () => localStorage.setItem("night", night.checked ? "yes" : "no"));

follow();
