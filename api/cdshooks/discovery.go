package cdshooks

import (
	"net/http"
	"slices"

	"dwellwatch/internal/cards"

	"github.com/gin-gonic/gin"
)

// service is one entry of the discovery (https://cds-hooks.hl7.org/2.0/#discovery).
type service struct {
	Hook        string            `json:"hook"`
	Title       string            `json:"title"`
	Description string            `json:"description"`
	ID          string            `json:"id"`
	Prefetch    map[string]string `json:"prefetch"`
	Usage       string            `json:"usageRequirements"`
}

// family begins the id of every service of ours; the hook ends it. Each hook has an id of its own, because under a shared one a
// client would take the cards of one hook down when another is answered.
const family = "vena-cava-filter-"

// Keys of the prefetch.
const (
	keyPatient    = "patient"
	keyDevices    = "devices"
	keyProcedures = "procedures"
)

// prefetch asks for what shows whether a filter is in. Every template is a read, or a search of one type by patient: no client has to
// know more than that. None names a status, because what is left out then looks as if it did not exist.
func prefetch() map[string]string {
	search := func(kind string) string { return kind + "?patient={{context.patientId}}" }
	return map[string]string{
		keyPatient: "Patient/{{context.patientId}}", keyDevices: search("Device"), keyProcedures: search("Procedure"), "deviceUse": search("DeviceUseStatement"),
		"conditions": search("Condition"), "medications": search("MedicationRequest"), "requests": search("ServiceRequest"), "appointments": search("Appointment"),
	}
}

func services() []service {
	describe := map[cards.Hook][2]string{
		cards.PatientView:        {"Vena cava filter: chart opened", "Says that a vena cava filter needs attention now: urgent, overdue with nobody asked, or in doubt. At most once in some days for each clinician and filter, unless something else happens to it; an emergency each time."},
		cards.EncounterDischarge: {"Vena cava filter: discharge", "Says before discharge that a filter is in place that nobody has been asked to take out."},
		cards.OrderSign:          {"Vena cava filter: anticoagulant ordered", "Says that a retrieval can be planned when a treatment with an anticoagulant is started, and warns when one is stopped while a filter is in."},
		cards.AppointmentBook:    {"Vena cava filter: retrieval booked", "Says what is still open for the plan when a slot for a retrieval is booked."},
	}
	var out []service
	for _, h := range cards.Hooks() {
		out = append(out, service{string(h), describe[h][0], describe[h][1], family + string(h), prefetch(),
			"Patients whom this service follows are answered without any prefetch. Of others, devices or procedures must be sent."})
	}
	return out
}

// hookOf gives the hook of a service.
func hookOf(id string) (cards.Hook, bool) {
	at := slices.IndexFunc(cards.Hooks(), func(h cards.Hook) bool { return family+string(h) == id })
	if at < 0 {
		return "", false
	}
	return cards.Hooks()[at], true
}

func (s *Service) discover(c *gin.Context) {
	body, err := encode(map[string][]service{"services": services()})
	if err != nil {
		s.refuse(c, err)
		return
	}
	c.Data(http.StatusOK, plainJSON, body)
}
