// The CapabilityStatement, read from what the router and the repository can really do.

import { getResourceTypes, globalSchema } from '@medplum/core';

// The repository's matcher knows these types of search parameter and finds nothing by any other.
const searchable = new Set(['reference', 'string', 'uri', 'token', 'date']);

export function capabilityStatement(baseUrl, started, transactions) {
  const types = getResourceTypes()
    .filter((type) => globalSchema.types[type].searchParams)
    .sort();
  return {
    resourceType: 'CapabilityStatement',
    status: 'active',
    date: started,
    kind: 'instance',
    software: { name: '@medplum/fhir-router MemoryRepository', version: '4.5.2' },
    implementation: { description: 'Peer for write-back tests', url: baseUrl },
    fhirVersion: '4.0.1',
    format: ['json', 'application/fhir+json'],
    rest: [
      {
        mode: 'server',
        resource: types.map(resourceEntry),
        interaction: transactions ? [{ code: 'transaction' }, { code: 'batch' }] : undefined,
      },
    ],
  };
}

function resourceEntry(type) {
  const params = Object.values(globalSchema.types[type].searchParams).filter((param) => searchable.has(param.type));
  return {
    type,
    interaction: ['read', 'vread', 'update', 'patch', 'delete', 'history-instance', 'create', 'search-type'].map(
      (code) => ({ code })
    ),
    versioning: 'versioned-update',
    readHistory: true,
    updateCreate: true,
    conditionalCreate: true,
    conditionalUpdate: true,
    conditionalDelete: 'single',
    searchParam: params.map((param) => ({ name: param.code, type: param.type })),
  };
}
