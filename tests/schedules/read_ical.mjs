// Reads a calendar from standard input with ical.js, whose file is the first argument, and prints its events.
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";

const { default: ICAL } = await import(pathToFileURL(process.argv[2]));
const calendar = new ICAL.Component(ICAL.parse(readFileSync(0, "utf8")));
const when = (time) => time.toString();
const events = calendar.getAllSubcomponents("vevent").map((component) => {
  const event = new ICAL.Event(component);
  return {
    uid: event.uid,
    summary: event.summary ?? "",
    description: event.description ?? "",
    location: event.location ?? "",
    starts: when(event.startDate),
    ends: when(event.endDate),
    status: component.getFirstPropertyValue("status"),
    sequence: event.sequence,
  };
});
process.stdout.write(JSON.stringify(events));
