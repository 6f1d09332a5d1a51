// Bad habits that a real record server may have, switched on by name. A habit either refuses a request before it is
// carried out, or swallows the reply after it was. To add one, add a line to `rules`.

import { conflict } from '@medplum/core';

const notSupported = {
  resourceType: 'OperationOutcome',
  issue: [{ severity: 'error', code: 'not-supported', details: { text: 'Bundles are not accepted here' } }],
};

// takes: the type of the switch; 'every' is a whole number N ("at each Nth request that applies"), 0 is off.
// applies: which requests it counts. refuse: the OperationOutcome answered instead. drop: no answer at all.
const rules = {
  noTransactions: { takes: 'boolean', applies: (request) => request.isBundle, refuse: notSupported },
  conflictEvery: {
    takes: 'every',
    applies: (request) => request.isTransaction,
    refuse: conflict('Could not serialize the transaction'),
  },
  dropReplies: { takes: 'every', applies: (request) => request.isWrite, drop: true },
};

export class Habits {
  #wanted = {};
  #seen = {};
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
      if (rule.takes === 'boolean' ? typeof value !== 'boolean' : !(Number.isInteger(value) && value >= 0)) {
        throw new Error(`habit ${name} takes ${rule.takes === 'boolean' ? 'true or false' : 'a whole number from 0'}`);
      }
    }
    this.#wanted = wanted;
    this.restart();
  }

  // restart counts anew and keeps the habits.
  restart() {
    this.#seen = {};
    this.fired = {};
  }

  isOn(name) {
    return Boolean(this.#wanted[name]);
  }

  // refusal is the outcome to answer instead of carrying the request out, or undefined.
  refusal(request) {
    for (const [name, rule] of Object.entries(rules)) {
      if (rule.refuse && this.#due(name, rule, request)) {
        return rule.refuse;
      }
    }
    return undefined;
  }

  // dropsReply says that the request, now carried out, gets no answer.
  dropsReply(request) {
    return Object.entries(rules).some(([name, rule]) => rule.drop && this.#due(name, rule, request));
  }

  #due(name, rule, request) {
    if (!this.isOn(name) || !rule.applies(request)) {
      return false;
    }
    this.#seen[name] = (this.#seen[name] ?? 0) + 1;
    if (rule.takes === 'every' && this.#seen[name] % this.#wanted[name] !== 0) {
      return false;
    }
    this.fired[name] = (this.fired[name] ?? 0) + 1;
    return true;
  }
}
