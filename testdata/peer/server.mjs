// A FHIR R4 server for tests: HTTP around the in-memory FHIR router of @medplum/fhir-router, which others wrote.
// The FHIR semantics are theirs; this adds HTTP, paging links, repository.mjs and the bad habits of habits.mjs.
//
//   PORT=0                 port on 127.0.0.1, 0 for a free one
//   PEER_HABITS={...}      bad habits from the start, see habits.mjs
//   PEER_TOKEN=secret      FHIR requests need "Authorization: Bearer secret" (metadata stays open)
//
//   POST /_control/reset   empties the repository, forgets the log and starts the habits' counts anew
//   POST /_control/habits  replaces the habits by the JSON body
//   GET  /_control/log     {"requests": {METHOD: {WHAT: n}}, "fired": {HABIT: n}}
//   GET  /_control/held/T  everything of type T as it is held, whatever the habits make of searches
//
// It prints one line, "listening URL", when it is ready, and exits when its standard input closes.

import { createServer } from 'node:http';
import {
  allOk,
  badRequest,
  getStatus,
  normalizeOperationOutcome,
  notFound,
  serverError,
  unauthorized,
} from '@medplum/core';
import { FhirRouter } from '@medplum/fhir-router';
import { capabilityStatement } from './capability.mjs';
import { Habits } from './habits.mjs';
import { Repository, loadDefinitions } from './repository.mjs';

const defaultCount = 20; // what @medplum/core calls DEFAULT_SEARCH_COUNT
const maxCount = 1000;
const jsonTypes = ['application/fhir+json', 'application/json', 'application/json+fhir', 'application/json-patch+json'];
const formType = 'application/x-www-form-urlencoded';

const token = process.env.PEER_TOKEN ?? '';
const started = new Date().toISOString();
const habits = startingHabits();
const repository = new Repository();
const router = new FhirRouter();
let requests = {};
let origin = '';
let queue = Promise.resolve();
let index; // what searches look into that lag behind

loadDefinitions();
const server = createServer((req, res) => {
  serve(req, res).catch((err) => send(res, 500, serverError(err)));
});
server.listen(Number(process.env.PORT ?? 0), '127.0.0.1', () => {
  origin = `http://127.0.0.1:${server.address().port}`;
  console.log(`listening ${origin}/fhir`);
});
process.stdin.resume();
process.stdin.on('end', () => process.exit(0)).on('error', () => process.exit(0));

function startingHabits() {
  try {
    return new Habits(JSON.parse(process.env.PEER_HABITS || '{}'));
  } catch (err) {
    console.error(`PEER_HABITS: ${err.message}`);
    process.exit(2);
  }
}

async function serve(req, res) {
  const url = new URL(req.url, origin);
  const body = await readBody(req);
  if (url.pathname.startsWith('/_control/')) {
    return control(req, res, url, body);
  }
  if (url.pathname !== '/fhir' && !url.pathname.startsWith('/fhir/')) {
    return send(res, 404, notFound);
  }
  const path = url.pathname.slice('/fhir'.length).replace(/^\/+|\/+$/g, '');
  count(req.method, path);
  if (req.method === 'GET' && path === 'metadata') {
    return send(res, 200, capabilityStatement(`${origin}/fhir`, started, !habits.isOn('noTransactions')));
  }
  if (token && req.headers.authorization !== `Bearer ${token}`) {
    return send(res, 401, unauthorized);
  }
  const request = parse(req, url, path, body);
  if (request.outcome) {
    return send(res, request.status ?? getStatus(request.outcome), request.outcome);
  }
  return oneAtATime(() => answer(req, res, request));
}

// oneAtATime runs requests in the order of their arrival, so that transactions are isolated.
function oneAtATime(work) {
  const done = queue.then(work);
  queue = done.catch(() => undefined);
  return done;
}

async function answer(req, res, request) {
  const refusal = habits.refusal(request);
  if (refusal) {
    return refuse(res, refusal);
  }
  const [outcome, resource] = await carryOut(req, request);
  if (habits.strikes('dropReplies', request)) {
    res.destroy();
    return;
  }
  const cutting = ['cutReplies', 'cutReads'].find((name) => habits.strikes(name, request));
  if (cutting) {
    cutBodyAfter(res, habits.value(cutting).bytes);
  }
  if (!resource) {
    return send(res, getStatus(outcome), outcome);
  }
  if (resource.resourceType === 'Bundle' && request.isSearch) {
    return send(res, 200, withLinks(resource, request));
  }
  const headers = versionHeaders(outcome, resource);
  const prefer = request.isWrite && !request.isBundle ? req.headers.prefer ?? '' : '';
  if (prefer.includes('return=minimal')) {
    return send(res, getStatus(outcome), undefined, headers);
  }
  return send(res, getStatus(outcome), prefer.includes('return=OperationOutcome') ? outcome : resource, headers);
}

function refuse(res, refusal) {
  if (refusal.resourceType) {
    return send(res, getStatus(refusal), refusal);
  }
  res.writeHead(refusal.status, { 'Content-Type': 'text/plain', ...refusal.headers }).end(refusal.text);
}

// cutBodyAfter makes the answer break off: its head promises the whole body, and the connection ends before that.
function cutBodyAfter(res, bytes) {
  const writeHead = res.writeHead.bind(res);
  res.writeHead = (status, headers) => {
    res.head = [status, headers];
    return res;
  };
  res.end = (text = ' ') => {
    const whole = Buffer.from(text);
    const [status, headers] = res.head;
    writeHead(status, { ...headers, 'Content-Length': whole.length });
    res.write(whole.subarray(0, Math.min(bytes, whole.length - 1)), () => res.destroy());
  };
}

// carryOut does what was asked, in the way that the habits have.
async function carryOut(req, request) {
  if (habits.strikes('ignoreIfNoneExist', request)) {
    delete request.headers['if-none-exist'];
    for (const entry of request.isBundle ? request.body.entry ?? [] : []) {
      delete entry.request?.ifNoneExist;
    }
  }
  if (habits.strikes('ignoreIfMatch', request)) {
    delete request.headers['if-match'];
  }
  if (['emptyFirst', 'emptyEvery'].some((name) => habits.strikes(name, request))) {
    return [allOk, { resourceType: 'Bundle', type: 'searchset', total: 0 }];
  }
  if (habits.strikes('searchLags', request)) {
    return handle(req, request, true, index ?? repository);
  }
  if (habits.strikes('transactionsAsBatch', request)) {
    return asBatch(req, request, habits.value('transactionsAsBatch') === 'unresolved');
  }
  return handle(req, request);
}

// asBatch runs a transaction entry by entry.
async function asBatch(req, request, unresolved) {
  const entries = request.body.entry ?? [];
  const failures = entries.map(() => habits.entryRefusal(request));
  const kept = entries.filter((_, i) => !failures[i]);
  const body = { ...request.body, entry: unresolved ? kept.map(({ fullUrl, ...entry }) => entry) : kept };
  if (unresolved) {
    body.type = 'batch';
  }
  const [outcome, answer] =
    kept.length === 0
      ? [allOk, { resourceType: 'Bundle', type: `${body.type}-response` }]
      : await handle(req, { ...request, body }, false);
  if (!answer) {
    return [outcome];
  }
  const done = [...(answer.entry ?? [])];
  const entry = failures.map((failure) =>
    failure ? { response: { status: String(getStatus(failure)), outcome: failure } } : done.shift()
  );
  return [outcome, { ...answer, entry }];
}

async function handle(req, request, transactions = true, from = repository) {
  try {
    return await router.handleRequest(
      {
        method: req.method,
        url: request.url,
        pathname: '',
        params: {},
        query: {},
        body: request.body,
        headers: request.headers,
        config: { transactions },
      },
      from
    );
  } catch (err) {
    return [normalizeOperationOutcome(err)];
  }
}

// parse turns the HTTP request into what the router takes. On a body or a _count that cannot be read it answers
// {outcome} instead.
function parse(req, url, path, text) {
  const isSearchPost = req.method === 'POST' && path.endsWith('/_search');
  const isSearch = isSearchPost || (req.method === 'GET' && router.find('GET', path)?.data?.interaction === 'search-type');
  const contentType = (req.headers['content-type'] ?? '').split(';')[0].trim().toLowerCase();
  let body;
  if (text && !isSearchPost) {
    if (!jsonTypes.includes(contentType)) {
      return { outcome: badRequest(`Unsupported content type ${contentType || '(none)'}`), status: 415 };
    }
    try {
      body = JSON.parse(text);
    } catch {
      return { outcome: badRequest('The body is not JSON') };
    }
  }
  if (text && isSearchPost && contentType !== formType) {
    return { outcome: badRequest(`Unsupported content type ${contentType || '(none)'}`), status: 415 };
  }
  if (['POST', 'PUT', 'PATCH'].includes(req.method) && !isSearchPost && (typeof body !== 'object' || body === null)) {
    return { outcome: badRequest('The body is not a JSON object') };
  }
  const params = new URLSearchParams(url.search);
  if (isSearchPost) {
    for (const [name, value] of new URLSearchParams(text)) {
      params.append(name, value);
    }
  }
  if (isSearch) {
    const asked = params.get('_count') ?? String(defaultCount);
    const offset = params.get('_offset') ?? '0';
    if (!/^\d+$/.test(asked) || !/^\d+$/.test(offset)) {
      return { outcome: badRequest('_count and _offset take a whole number') };
    }
    params.set('_count', String(Math.min(Number(asked), habits.value('foreignNext')?.size ?? maxCount, maxCount)));
  }
  if (isSearch && habits.strikes('ignoreParameters', { isSearch })) {
    for (const name of new Set(params.keys())) {
      if (name !== '_count' && name !== '_offset') {
        params.delete(name);
      }
    }
  }
  const isBundle = req.method === 'POST' && path === '';
  const conditionalEntries = isBundle ? countConditional(body) : 0;
  return {
    url: isSearchPost || params.size === 0 ? path : `${path}?${params}`,
    body: isSearchPost ? queryObject(params) : body,
    path,
    params,
    isSearch,
    isBundle,
    isTransaction: isBundle && body?.type === 'transaction',
    conditionalEntries,
    isConditionalCreate: conditionalEntries > 0 || Boolean(req.headers['if-none-exist']),
    headers: { ...req.headers },
    isWrite: req.method !== 'GET' && req.method !== 'HEAD' && !isSearchPost,
  };
}

function countConditional(bundle) {
  const entries = Array.isArray(bundle.entry) ? bundle.entry : [];
  return entries.filter((entry) => entry?.request?.ifNoneExist || entry?.request?.url?.includes('?')).length;
}

function queryObject(params) {
  return Object.fromEntries([...new Set(params.keys())].map((name) => [name, params.getAll(name)]));
}

// withLinks makes a page of the router's Bundle: absolute self and next links (search.html, Bundle.link).
function withLinks(bundle, { path, params }) {
  const type = path.replace('/_search', '');
  const page = (offset, base = `${origin}/fhir`) => {
    const query = new URLSearchParams(params);
    query.set('_offset', String(offset));
    return `${base}/${type}?${query}`;
  };
  const offset = Number(params.get('_offset') ?? 0);
  const size = Number(params.get('_count'));
  const link = [{ relation: 'self', url: page(offset) }];
  if (size > 0 && offset + size < bundle.total) {
    const foreign = habits.strikes('foreignNext', { isSearch: true });
    link.push({ relation: 'next', url: page(offset + size, foreign ? habits.value('foreignNext').base : undefined) });
  }
  const entry = bundle.entry?.map(({ resource }) => ({
    fullUrl: `${origin}/fhir/${resource.resourceType}/${resource.id}`,
    resource,
    search: { mode: 'match' },
  }));
  return { ...bundle, link, entry };
}

function versionHeaders(outcome, resource) {
  const version = resource.meta?.versionId;
  if (!version) {
    return {};
  }
  const headers = { ETag: `W/"${version}"` };
  if (resource.meta.lastUpdated) {
    headers['Last-Modified'] = new Date(resource.meta.lastUpdated).toUTCString();
  }
  if (getStatus(outcome) === 201) {
    headers.Location = `${origin}/fhir/${resource.resourceType}/${resource.id}/_history/${version}`;
  }
  return headers;
}

function control(req, res, url, body) {
  const action = `${req.method} ${url.pathname.slice('/_control/'.length)}`;
  if (action === 'GET log') {
    return send(res, 200, { requests, fired: habits.fired }, { 'Content-Type': 'application/json' });
  }
  if (action.startsWith('GET held/')) {
    return oneAtATime(async () => {
      const held = repository.resources.get(action.slice('GET held/'.length));
      return send(res, 200, [...(held?.values() ?? [])], { 'Content-Type': 'application/json' });
    });
  }
  if (action === 'POST habits') {
    return oneAtATime(async () => {
      try {
        habits.set(JSON.parse(body));
        index = habits.isOn('searchLags') ? repository.copy() : undefined;
      } catch (err) {
        return send(res, 400, badRequest(err.message));
      }
      return send(res, 204);
    });
  }
  if (action === 'POST reset') {
    return oneAtATime(async () => {
      repository.clear();
      habits.restart();
      requests = {};
      return send(res, 204);
    });
  }
  return send(res, 404, notFound);
}

// count keeps the log: by method, and by "Bundle" for the base, "Type/_search" for a search by POST, else the first
// part of the path.
function count(method, path) {
  const type = path.split('/')[0] || 'Bundle';
  const what = path.endsWith('/_search') ? `${type}/_search` : type;
  requests[method] ??= {};
  requests[method][what] = (requests[method][what] ?? 0) + 1;
}

async function readBody(req) {
  const chunks = [];
  for await (const chunk of req) {
    chunks.push(chunk);
  }
  return Buffer.concat(chunks).toString('utf8');
}

function send(res, status, body, headers = {}) {
  if (body === undefined) {
    res.writeHead(status, headers).end();
    return;
  }
  res.writeHead(status, { 'Content-Type': 'application/fhir+json; charset=utf-8', ...headers });
  res.end(JSON.stringify(body));
}
