// The page's only way to the collector: documents asked for with entity tags, news by server-sent events (or by asking,
// where those do not come through), and reference time by two-way exchanges. Only its own origin is ever asked.

const BASE = "api/v1/";
const kept = new Map();

export class Refused extends Error {
  constructor(status, detail) {
    super(detail);
    this.status = status;
  }
}

/** A document; unchanged ones come from memory. Throws Refused with the collector's line, or TypeError if unreachable. */
export async function ask(name, parameters = {}, signal = undefined) {
  const query = new URLSearchParams(Object.entries(parameters).filter(([, value]) => value !== undefined && value !== null && value !== ""));
  const url = `${BASE}${name}${query.size ? `?${query}` : ""}`;
  const known = kept.get(url);
  const reply = await fetch(url, { headers: known ? { "If-None-Match": known.tag } : {}, signal, cache: "no-store" });
  if (reply.status === 304 && known) return known.document;
  const document = await reply.json();
  if (!reply.ok) throw new Refused(reply.status, document.detail ?? `the collector answered ${reply.status}`);
  const tag = reply.headers.get("ETag");
  if (tag) {
    kept.delete(url);
    kept.set(url, { tag, document });
    if (kept.size > 24) kept.delete(kept.keys().next().value);
  }
  return document;
}

/** Call `tell(connected, sequence)` at each new estimate, and when the collector goes away or comes back. */
export function follow(tell) {
  const source = new EventSource(`${BASE}updates`);
  let fallback = 0;
  source.addEventListener("estimate", (event) => tell(true, Number(event.lastEventId)));
  source.addEventListener("open", () => {
    clearInterval(fallback);
    fallback = 0;
  });
  source.addEventListener("error", () => {
    tell(false);
    if (fallback) return;
    let sequence = 0;
    fallback = setInterval(async () => {
      try {
        const now = await ask("time");
        if (now.sequence !== sequence) tell(true, now.sequence);
        sequence = now.sequence;
      } catch {
        tell(false);
      }
      if (source.readyState === EventSource.CLOSED) {
        clearInterval(fallback);
        follow(tell);
      }
    }, 5000);
  });
}

/** How fast this machine's own counter may run away from the reference between two exchanges (s/s). */
const RUN_AWAY = 1e-4;

/**
 * Reference time in the browser. Each exchange gives four instants as in RFC 5905 (8): sent and returned by this
 * machine's steady counter, received and sent by the collector in reference time. Of the last exchanges that with the
 * shortest round trip counts, since it has the least room for error: half of its round trip.
 */
export class ReferenceClock {
  exchanges = [];
  last = null;
  failed = "";

  async exchange() {
    try {
      const t1 = performance.now() * 1e6;
      const told = await ask("time");
      const t4 = performance.now() * 1e6;
      const turn = told.sent_ns - told.received_ns;
      const roundTrip = Math.max(t4 - t1 - turn, 0);
      this.exchanges.push({ base: (told.received_ns - t1 + (told.sent_ns - t4)) / 2, roundTrip, at: t4 });
      if (this.exchanges.length > 8) this.exchanges.shift();
      this.last = told;
      this.failed = "";
    } catch (problem) {
      this.failed = problem instanceof Refused ? problem.message : "the collector does not answer";
    }
  }

  #best() {
    const now = performance.now() * 1e6;
    const room = (one) => one.roundTrip / 2 + (now - one.at) * RUN_AWAY;
    return this.exchanges.reduce((best, one) => (best === null || room(one) < room(best) ? one : best), null);
  }

  /** Reference time now in ns since 1970; null before the first exchange. */
  now() {
    const best = this.#best();
    return best === null ? null : best.base + performance.now() * 1e6;
  }

  /** How far `now` may be off, in ns, and what that is made of. */
  room() {
    const best = this.#best();
    if (best === null) return null;
    const since = performance.now() * 1e6 - best.at;
    const told = this.last;
    const parts = {
      roundTrip: best.roundTrip / 2,
      waiting: since * RUN_AWAY,
      reference: 2 * (told.reference_uncertainty_ns ?? 0),
      ticks: told.late_by_ns ?? 0,
    };
    return { ...parts, total: parts.roundTrip + parts.waiting + parts.reference + parts.ticks, since };
  }

  /** This machine's own clock minus reference time, in ns. */
  own() {
    const now = this.now();
    return now === null ? null : Date.now() * 1e6 - now;
  }
}
