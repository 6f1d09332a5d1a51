package api

import (
	"encoding/json"
	"net/http"

	"github.com/gin-gonic/gin"

	"dwellwatch"
)

// capability is a CapabilityStatement (http://hl7.org/fhir/R4/capabilitystatement.html). It claims what the doors do and
// nothing else: no read, no search, no versions to look up, nothing conditional.
type capability struct {
	ResourceType   string         `json:"resourceType"`
	Status         string         `json:"status"`
	Date           string         `json:"date"`
	Kind           string         `json:"kind"`
	Software       software       `json:"software"`
	Implementation implementation `json:"implementation"`
	FHIRVersion    string         `json:"fhirVersion"`
	Format         []string       `json:"format"`
	Rest           []rest         `json:"rest"`
}

type software struct {
	Name    string `json:"name"`
	Version string `json:"version,omitempty"`
}

type implementation struct {
	Description string `json:"description"`
	URL         string `json:"url,omitempty"`
}

type rest struct {
	Mode          string         `json:"mode"`
	Documentation string         `json:"documentation"`
	Resource      []restResource `json:"resource"`
	Interaction   []interaction  `json:"interaction"`
}

type restResource struct {
	Type              string        `json:"type"`
	Interaction       []interaction `json:"interaction"`
	UpdateCreate      bool          `json:"updateCreate"`
	ConditionalCreate bool          `json:"conditionalCreate"`
	ConditionalUpdate bool          `json:"conditionalUpdate"`
	ConditionalDelete string        `json:"conditionalDelete"`
}

type interaction struct {
	Code string `json:"code"`
}

// capabilityDate is when the statement last changed its meaning.
const capabilityDate = "2026-11-25"

func (s *server) metadata(c *gin.Context) {
	if feed := c.Param("feed"); feed != "" {
		if _, ok := s.Feeds[feed]; !ok {
			s.refuse(c, notFound("there is no such feed"))
			return
		}
	}
	if err := negotiate(c.Request); err != nil {
		s.refuse(c, err)
		return
	}
	url := ""
	if s.PublicURL != "" {
		url = s.doorURL(c)
	}
	statement := capability{
		ResourceType: "CapabilityStatement", Status: "active", Date: capabilityDate, Kind: "instance",
		Software: software{"dwellwatch", s.Version},
		Implementation: implementation{
			"Listens to what a FHIR record sends, and keeps what concerns vena cava filters", url},
		FHIRVersion: "4.0.1", Format: []string{"json", "application/fhir+json"},
		Rest: []rest{{
			Mode: "server",
			Documentation: "A listener: resources can be delivered and cannot be read or searched. What does not concern a " +
				"vena cava filter or a followed patient is acknowledged and not kept. If-Match and If-None-Exist are not evaluated.",
			Interaction: []interaction{{"transaction"}, {"batch"}},
		}},
	}
	for _, t := range keptTypes() {
		statement.Rest[0].Resource = append(statement.Rest[0].Resource, restResource{
			Type: t, Interaction: []interaction{{"create"}, {"update"}, {"delete"}},
			UpdateCreate: true, ConditionalDelete: "not-supported"})
	}
	body, err := json.Marshal(statement)
	if err != nil {
		s.refuse(c, err)
		return
	}
	s.writeFHIR(c, http.StatusOK, body)
}

func (s *server) openAPI(c *gin.Context) {
	c.Data(http.StatusOK, "application/yaml; charset=utf-8", []byte(dwellwatch.OpenAPI()))
}
