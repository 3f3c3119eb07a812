// Reads the typed line while it is typed, in the same way as the server does (typed_line.py), and
// says what may follow. Pure: text and words in, values out; nothing is asked of the server.

const CODE = /^([0-9?]{1,4})(?:\s*[-/.]\s*|\s+)([0-9?]{1,4})(?=\s|$)/;
const NUMBER = /^[0-9]{1,15}$/;
const MOST_OFFERED = 8;

export function plainWord(word) {
  return word.toLowerCase().replace(/[-_]/g, " ").split(/\s+/).filter(Boolean).join(" ");
}

function beginsWords(typed, spelling) {
  const words = spelling.split(" ");
  let at = 0;
  return typed.split(" ").every((part) => {
    while (at < words.length && !words[at].startsWith(part)) {
      at += 1;
    }
    at += 1;
    return at <= words.length;
  });
}

const WAYS = [
  (typed, spelling) => typed === spelling,
  (typed, spelling) => spelling.startsWith(typed),
  beginsWords,
];

// The defects that typed words can mean; exactly one when it is clear.
export function matching(typed, defects) {
  const plain = plainWord(typed);
  for (const called of plain ? ["own", "also"] : []) {
    for (const finds of WAYS) {
      const found = defects.filter((one) => one[called].some((spelling) => finds(plain, spelling)));
      if (found.length) {
        return found;
      }
    }
  }
  return [];
}

export function plainCode(text) {
  const found = CODE.exec(text.trim());
  const parts = found && [found[1], found[2]].map((part) => part.replace(/^0+(?=.)/, ""));
  return parts && parts.every((part) => part !== "0" && part.length < 4) ? parts.join("-") : null;
}

function counts(part, after) {
  const one = (pattern) => pattern.exec(part);
  const whole = (text) => String(BigInt(text));
  let found;
  if ((found = one(/^([0-9]{1,15})\/([0-9]{1,15})$/))) {
    return { cans: whole(found[1]), inspected: whole(found[2]) };
  }
  if ((found = one(/^[x×]([0-9]{1,15})$/i))) {
    return { cans: whole(found[1]) };
  }
  if ((found = one(/^([0-9]{1,15})[x×]$/i))) {
    return { occurrences: whole(found[1]) };
  }
  if (!NUMBER.test(part)) {
    return null;
  }
  const following = (after[0] ?? "").toLowerCase();
  if (following === "of" && NUMBER.test(after[1] ?? "")) {
    const inspected = whole(after[1]);
    after.splice(0, 2);
    return { cans: whole(part), inspected };
  }
  if (["time", "times"].includes(following)) {
    after.shift();
    return { occurrences: whole(part) };
  }
  return { cans: whole(part) };
}

// A station by its code, or as it is called in the language of the page.
function spellings(station, words) {
  const said = words.said && Object.hasOwn(words.said, station) ? words.said[station] : [];
  return [plainWord(station), ...said];
}

function place(typed, words) {
  const plain = plainWord(typed);
  const whole = words.stations.filter((one) => spellings(one, words).includes(plain));
  const found = whole.length
    ? whole
    : words.stations.filter((one) => spellings(one, words).some((name) => name.startsWith(plain)));
  return plain && found.length === 1 ? found[0] : null;
}

// What is understood of a line so far: values by field, and `unclear`, words nobody understands.
export function readLine(text, words) {
  const [head, note] = divided(text.trim());
  const values = {};
  const unclear = [];
  const code = plainCode(head);
  if (code) {
    values.dome_code = code;
  }
  const parts = (code ? head.replace(CODE, "") : head).split(/\s+/).filter(Boolean);
  const named = [];
  if (!code && /^[0-9?]/.test(head)) {
    unclear.push(parts.shift());
  }
  while (parts.length) {
    const part = parts.shift();
    const counted = counts(part, parts);
    if (part.startsWith("@")) {
      const found = place(part.slice(1), words);
      found ? (values.found_at = found) : unclear.push(part);
    } else if (part.startsWith("+")) {
      part.length > 1 ? (values.mark = part.slice(1)) : unclear.push(part);
    } else if (counted) {
      Object.assign(values, counted);
      if (NUMBER.test(part) && counted.cans && /^cans?$/i.test(parts[0] ?? "")) {
        named.push({ text: parts.shift(), unit: true });
      }
    } else {
      named.push({ text: part, unit: false });
    }
  }
  const whole = named.map((one) => one.text).join(" ");
  const typed = named.filter((one) => !one.unit).map((one) => one.text).join(" ");
  let found = matching(whole, words.defects);
  found = found.length === 1 ? found : matching(typed, words.defects);
  if (found.length === 1) {
    values.defect = found[0].defect;
  } else if (typed) {
    unclear.push(typed);
  }
  if (note) {
    values.note = note;
  }
  return { values, unclear };
}

function divided(text) {
  const found = /(?:^|\s)#/.exec(text);
  return found
    ? [text.slice(0, found.index).trim(), text.slice(found.index + found[0].length).trim()]
    : [text, ""];
}

// What may stand where the cursor is: each with the text that the line has then, and its label.
export function following(text, words) {
  if (divided(text)[1] || /(?:^|\s)#/.test(text)) {
    return [];
  }
  const start = text.search(/\S*$/);
  const last = text.slice(start);
  if (last.startsWith("@")) {
    const typed = plainWord(last.slice(1));
    return words.stations
      .filter((one) => spellings(one, words).some((name) => name.startsWith(typed)))
      .filter((one) => `@${one}` !== last)
      .slice(0, MOST_OFFERED)
      .map((one) => ({ text: `${text.slice(0, start)}@${one} `, label: `@${one}` }));
  }
  const code = CODE.exec(text.trimStart());
  const isCode = code !== null && text.trimStart().length > code[0].length;
  if (!isCode && /^[0-9?]/.test(text.trim())) {
    const typed = text.trim().replace(/^0+/, "").replace(/\s*[/.]\s*|\s*-\s*|\s+/, "-");
    return words.machines
      .filter((one) => one.startsWith(typed) && one !== typed)
      .slice(0, MOST_OFFERED)
      .map((one) => ({ text: `${one} `, label: one }));
  }
  return defectsFollowing(text, isCode, words);
}

function defectsFollowing(text, isCode, words) {
  const trimmed = text.trimStart();
  const head = isCode ? CODE.exec(trimmed)[0] : "";
  const rest = trimmed.slice(head.length);
  // The words at the end that are no counts, places or marks: what of the defect is typed so far.
  const found = /(?:^|\s)([^\s@+0-9#][^\s@+#]*(?:\s+[^\s@+0-9#][^\s@+#]*)*)$/.exec(rest);
  const typed = found ? found[1] : "";
  if ((!typed && !/\s$/.test(text)) || (!typed && rest.trim()) || (!typed && !isCode)) {
    return [];
  }
  const offered = typed ? offeredFor(typed, words.defects) : words.defects;
  const before = typed ? trimmed.slice(0, trimmed.length - typed.length) : trimmed;
  return offered
    .filter((one) => plainWord(typed) !== plainWord(one.defect))
    .slice(0, MOST_OFFERED)
    .map((one) => ({ text: `${before}${one.defect} `, label: one.title, code: one.defect }));
}

// All that it can become, the surest first.
function offeredFor(typed, defects) {
  const plain = plainWord(typed);
  const ways = ["own", "also"].flatMap((called) => WAYS.map((finds) => [called, finds]));
  const found = ways.flatMap(([called, finds]) =>
    defects.filter((one) => one[called].some((spelling) => finds(plain, spelling))),
  );
  return [...new Set(found)];
}
