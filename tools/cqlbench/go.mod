module dwellwatch/tools/cqlbench

go 1.26.8

require (
	dwellwatch v0.0.0-00010101000000-000000000000
	github.com/google/cql v0.0.2
	github.com/google/fhir/go v0.7.4
)

require (
	bitbucket.org/creachadair/stringset v0.0.14 // indirect
	github.com/antlr4-go/antlr/v4 v4.13.0 // indirect
	github.com/golang/protobuf v1.5.4 // indirect
	github.com/google/fhir/go/protopath v0.7.4 // indirect
	github.com/google/uuid v1.6.0 // indirect
	github.com/json-iterator/go v1.1.12 // indirect
	github.com/kylelemons/godebug v1.1.0 // indirect
	github.com/modern-go/concurrent v0.0.0-20180306012644-bacd9c7ef1dd // indirect
	github.com/modern-go/reflect2 v1.0.2 // indirect
	github.com/pborman/uuid v1.2.1 // indirect
	github.com/pkg/errors v0.9.1 // indirect
	github.com/serenize/snaker v0.0.0-20201027110005-a7ad2135616e // indirect
	github.com/tidwall/gjson v1.20.1 // indirect
	github.com/tidwall/match v1.2.0 // indirect
	github.com/tidwall/pretty v1.2.1 // indirect
	golang.org/x/exp v0.0.0-20231006140011-7918f672742d // indirect
	google.golang.org/genproto v0.0.0-20240311173647-c811ad7063a7 // indirect
	google.golang.org/protobuf v1.36.12 // indirect
	gopkg.in/gyuho/goraph.v2 v2.0.0-20160328020532-d460590d53a9 // indirect
	gopkg.in/yaml.v3 v3.0.1 // indirect
)

replace dwellwatch => ../..
