package fhir

import (
	"slices"
	"strings"
)

// NotR4 answers a type that FHIR R4 does not have.
const NotR4 = "this is not a resource type of FHIR R4"

// KnownType reports a type of R4, or the one with which a topic notification of R4B and R5 begins.
func KnownType(resourceType string) bool {
	return resourceType == "SubscriptionStatus" || slices.Contains(R4Types(), resourceType)
}

// R4Types are the resource types of FHIR R4 that have instances (http://hl7.org/fhir/R4/resourcelist.html); a test compares
// them with samply's list.
func R4Types() []string {
	return strings.Fields(`
Account ActivityDefinition AdverseEvent AllergyIntolerance Appointment AppointmentResponse AuditEvent Basic Binary
BiologicallyDerivedProduct BodyStructure Bundle CapabilityStatement CarePlan CareTeam CatalogEntry ChargeItem
ChargeItemDefinition Claim ClaimResponse ClinicalImpression CodeSystem Communication CommunicationRequest
CompartmentDefinition Composition ConceptMap Condition Consent Contract Coverage CoverageEligibilityRequest
CoverageEligibilityResponse DetectedIssue Device DeviceDefinition DeviceMetric DeviceRequest DeviceUseStatement
DiagnosticReport DocumentManifest DocumentReference EffectEvidenceSynthesis Encounter Endpoint EnrollmentRequest
EnrollmentResponse EpisodeOfCare EventDefinition Evidence EvidenceVariable ExampleScenario ExplanationOfBenefit
FamilyMemberHistory Flag Goal GraphDefinition Group GuidanceResponse HealthcareService ImagingStudy Immunization
ImmunizationEvaluation ImmunizationRecommendation ImplementationGuide InsurancePlan Invoice Library Linkage List Location
Measure MeasureReport Media Medication MedicationAdministration MedicationDispense MedicationKnowledge MedicationRequest
MedicationStatement MedicinalProduct MedicinalProductAuthorization MedicinalProductContraindication
MedicinalProductIndication MedicinalProductIngredient MedicinalProductInteraction MedicinalProductManufactured
MedicinalProductPackaged MedicinalProductPharmaceutical MedicinalProductUndesirableEffect MessageDefinition MessageHeader
MolecularSequence NamingSystem NutritionOrder Observation ObservationDefinition OperationDefinition OperationOutcome
Organization OrganizationAffiliation Parameters Patient PaymentNotice PaymentReconciliation Person PlanDefinition
Practitioner PractitionerRole Procedure Provenance Questionnaire QuestionnaireResponse RelatedPerson RequestGroup
ResearchDefinition ResearchElementDefinition ResearchStudy ResearchSubject RiskAssessment RiskEvidenceSynthesis Schedule
SearchParameter ServiceRequest Slot Specimen SpecimenDefinition StructureDefinition StructureMap Subscription Substance
SubstanceNucleicAcid SubstancePolymer SubstanceProtein SubstanceReferenceInformation SubstanceSourceMaterial
SubstanceSpecification SupplyDelivery SupplyRequest Task TerminologyCapabilities TestReport TestScript ValueSet
VerificationResult VisionPrescription`)
}
