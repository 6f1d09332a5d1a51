// Bad habits that a real record server may have, switched on by name. Most were seen in servers that others wrote. A habit
// refuses a request before it is carried out, changes how it is carried out, or spoils the answer afterwards. To add one,
// add a line to `rules` and, unless it refuses, ask for it where the server does its work.

import { badRequest, conflict, serverError, unauthorized } from '@medplum/core';

const notSupported = {
  resourceType: 'OperationOutcome',
  issue: [{ severity: 'error', code: 'not-supported', details: { text: 'Bundles are not accepted here' } }],
};

// What one server sent with 429: milliseconds since 1970 where seconds to wait belong, and text instead of an outcome.
const retryAfterMilliseconds = '1795592359725';
const tooMany = { status: 429, headers: { 'Retry-After': retryAfterMilliseconds }, text: 'Too many requests' };

const isCount = (value) => Number.isInteger(value) && value >= 0;
const flag = { says: 'true or false', accepts: (value) => typeof value === 'boolean' };
const count = { says: 'a whole number from 0', accepts: isCount };
const cut = {
  says: '{"every": N, "bytes": B}, two whole numbers, N from 1',
  accepts: (value) => isCount(value?.every) && value.every > 0 && isCount(value.bytes),
};

const any = () => true;
const isWrite = (request) => request.isWrite;
const isRead = (request) => !request.isWrite;
const isSearch = (request) => request.isSearch;

// takes: what values the switch has; 0, false and absence are off.
// applies: which requests it counts. refuse: what is answered instead of carrying a request out.
// every: it strikes at each Nth request that applies (N is the value, or its member `every`).
const rules = {
  // N: each Nth request is answered 401, whatever token it carries.
  unauthorizedEvery: { takes: count, every: true, applies: any, refuse: unauthorized },
  // N: each bearer token is good for N requests, and answered 401 from then on.
  tokenLives: { takes: count, applies: (request) => Boolean(request.headers.authorization), refuse: unauthorized },
  // N: each Nth request is answered 429 with an absurd Retry-After.
  tooManyEvery: { takes: count, every: true, applies: any, refuse: tooMany },
  // true: Bundles are refused (400 not-supported), and the CapabilityStatement says so.
  noTransactions: { takes: flag, applies: (request) => request.isBundle, refuse: notSupported },
  // N: each Nth write, single or transaction, is answered 409 and not carried out.
  conflictEvery: { takes: count, every: true, applies: isWrite, refuse: conflict('Could not serialize the transaction') },
  // N: a transaction with more than N conditional entries is refused (400).
  maxConditional: {
    takes: count,
    applies: (request) => request.isTransaction,
    refuse: badRequest('Transaction requires strict isolation but has too many entries'),
  },
  // "resolved": a transaction runs entry by entry and still calls its answer a transaction-response; "unresolved": it is
  // run and answered as a batch, and references between its entries stay as they were sent.
  transactionsAsBatch: {
    takes: { says: '"resolved" or "unresolved"', accepts: (value) => value === 'resolved' || value === 'unresolved' },
    applies: (request) => request.isTransaction,
  },
  // N: of transactions run as batches, each Nth entry fails (500) and is not carried out.
  entryFailsEvery: { takes: count, every: true, applies: any, refuse: serverError(new Error('Entry failed')) },
  // true: a conditional create always creates, singly and in Bundles.
  ignoreIfNoneExist: { takes: flag, applies: (request) => request.isConditionalCreate },
  // true: an update overwrites whatever version its If-Match names.
  ignoreIfMatch: { takes: flag, applies: (request) => Boolean(request.headers['if-match']) },
  // N: each Nth write is carried out and gets no answer.
  dropReplies: { takes: count, every: true, applies: isWrite },
  // {every: N, bytes: B}: each Nth write is carried out and its answer breaks off after B bytes of the body.
  cutReplies: { takes: cut, every: true, applies: isWrite },
  // {every: N, bytes: B}: the answer to each Nth read or search breaks off after B bytes of the body.
  cutReads: { takes: cut, every: true, applies: isRead },
  // {size: N, base: URL}: a page holds N matches at most, and its next link leads to another base.
  foreignNext: {
    takes: {
      says: '{"size": N, "base": URL}, N from 1',
      accepts: (value) => isCount(value?.size) && value.size > 0 && typeof value.base === 'string',
    },
    applies: isSearch,
  },
  // true: a search finds everything of the type, whatever is asked; paging works.
  ignoreParameters: { takes: flag, applies: isSearch },
  // N: the first N searches find nothing.
  emptyFirst: { takes: count, applies: isSearch },
  // N: each Nth search finds nothing.
  emptyEvery: { takes: count, every: true, applies: isSearch },
  // true: a search finds what there was when the habit began, also what was changed or deleted since; reads are up to date.
  searchLags: { takes: flag, applies: isSearch },
};

const refusing = ['unauthorizedEvery', 'tokenLives', 'tooManyEvery', 'noTransactions', 'conflictEvery', 'maxConditional'];

export class Habits {
  #wanted = {};
  #seen = {};
  #uses = new Map();
  fired = {};

  constructor(wanted) {
    this.set(wanted);
  }

  // set replaces all habits and starts counting anew; it throws on a name or a value that means nothing.
  set(wanted) {
    if (typeof wanted !== 'object' || wanted === null || Array.isArray(wanted)) {
      throw new Error('habits must be a JSON object');
    }
    for (const [name, value] of Object.entries(wanted)) {
      const rule = Object.hasOwn(rules, name) ? rules[name] : undefined;
      if (!rule) {
        throw new Error(`unknown habit ${name}; known: ${Object.keys(rules).join(', ')}`);
      }
      if (!rule.takes.accepts(value)) {
        throw new Error(`habit ${name} takes ${rule.takes.says}`);
      }
    }
    this.#wanted = wanted;
    this.restart();
  }

  // restart counts anew and keeps the habits.
  restart() {
    this.#seen = {};
    this.#uses.clear();
    this.fired = {};
  }

  isOn(name) {
    return Boolean(this.#wanted[name]);
  }

  value(name) {
    return this.#wanted[name];
  }

  // refusal is the outcome, or {status, headers, text}, to answer instead of carrying the request out, or undefined.
  refusal(request) {
    const name = refusing.find((candidate) => this.strikes(candidate, request));
    return name && rules[name].refuse;
  }

  // entryRefusal is the outcome of a batch's entry that is not carried out, or undefined.
  entryRefusal(request) {
    return this.strikes('entryFailsEvery', request) ? rules.entryFailsEvery.refuse : undefined;
  }

  // strikes says that the habit is on and now befalls this request, and counts it. Ask once per request.
  strikes(name, request) {
    const rule = rules[name];
    if (!this.isOn(name) || !rule.applies(request)) {
      return false;
    }
    const value = this.#wanted[name];
    this.#seen[name] = (this.#seen[name] ?? 0) + 1;
    if (rule.every && this.#seen[name] % (value.every ?? value) !== 0) {
      return false;
    }
    if (name === 'emptyFirst' && this.#seen[name] > value) {
      return false;
    }
    if (name === 'tokenLives' && this.#use(request.headers.authorization) <= value) {
      return false;
    }
    if (name === 'maxConditional' && request.conditionalEntries <= value) {
      return false;
    }
    this.fired[name] = (this.fired[name] ?? 0) + 1;
    return true;
  }

  // use counts the requests that carried a token, this one included.
  #use(token) {
    const uses = (this.#uses.get(token) ?? 0) + 1;
    this.#uses.set(token, uses);
    return uses;
  }
}
