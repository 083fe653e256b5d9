// One swim: its line of water, wished and delivered.
import { send } from "/static/live.js";
import { Line } from "/static/line.js";

const line = new Line(document.getElementById("line"));
send("GET", `/api/v1/swims/${document.getElementById("main").dataset.id}/curve`).then((c) => line.show(c));
