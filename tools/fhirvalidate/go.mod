module dwellwatch/tools/fhirvalidate

go 1.26.8

require github.com/google/fhir/go v0.7.4 // indirect
