package cdshooks

import (
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"dwellwatch/fhir"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/cards"
	"dwellwatch/internal/fault"
	"dwellwatch/internal/filter"

	"github.com/gin-gonic/gin"
)

// putOffMember is the member of overrideReason.extension that puts a referral off: an object with until, a day, and by, the user
// who was shown the card, as Type/id. The reason in words is overrideReason.userComment.
const putOffMember = "urn:dwellwatch:put-off"

// entry is one entry of feedback (https://cds-hooks.hl7.org/2.0/#feedback).
type entry struct {
	Card     string `json:"card"`
	Outcome  string `json:"outcome"`
	Accepted []struct {
		ID string `json:"id"`
	} `json:"acceptedSuggestions"`
	Override *struct {
		Reason    *cards.Coding              `json:"reason"`
		Comment   string                     `json:"userComment"`
		Extension map[string]json.RawMessage `json:"extension"`
	} `json:"overrideReason"`
	At string `json:"outcomeTimestamp"`
}

// feedback stores what clinicians did with cards.
func (s *Service) feedback(c *gin.Context) {
	if err := s.takeFeedback(c); err != nil {
		s.refuse(c, err)
		return
	}
	c.Status(http.StatusOK)
	c.Writer.WriteHeaderNow()
}

// maxEntries bounds the entries of one call.
const maxEntries = 1000

func (s *Service) takeFeedback(c *gin.Context) error {
	if _, ok := hookOf(c.Param("id")); !ok {
		return wrong(http.StatusNotFound, "not-found", "", "there is no such service")
	}
	body, err := s.body(c)
	if err != nil {
		return err
	}
	var in struct {
		Feedback []entry `json:"feedback"`
	}
	if err := decodeJSON(body, &in); err != nil {
		return err
	}
	switch {
	case len(in.Feedback) == 0:
		return wrong(http.StatusBadRequest, "required", "feedback", "this member is required and must not be empty")
	case len(in.Feedback) > maxEntries:
		return wrong(http.StatusRequestEntityTooLarge, "too-costly", "feedback", "a call may have "+strconv.Itoa(maxEntries)+" entries")
	}
	// All entries are read before one is stored: a call that cannot be read changes nothing.
	p := &parser{}
	fed := make([]Fed, len(in.Feedback))
	off := make([]*Decision, len(in.Feedback))
	for i, e := range in.Feedback {
		fed[i], off[i] = s.read(p, c, e, "feedback["+strconv.Itoa(i)+"]")
	}
	if len(p.issues) > 0 {
		return &problem{http.StatusBadRequest, p.issues}
	}
	for i := range fed {
		if err := s.take(p, c, fed[i], off[i], "feedback["+strconv.Itoa(i)+"]"); err != nil {
			return err
		}
	}
	if len(p.issues) > 0 {
		return &problem{http.StatusUnprocessableEntity, p.issues}
	}
	return nil
}

// take stores one entry and puts the referral off where it says so. A card that was never shown here is no fault of the client's.
func (s *Service) take(p *parser, c *gin.Context, f Fed, d *Decision, at string) error {
	told, known, err := s.Feedback(c.Request.Context(), f)
	if err != nil || !known || d == nil {
		return err
	}
	at += ".overrideReason.extension." + putOffMember
	switch {
	case told.Key == "":
		p.fault("business-rule", at, "the patient of this card is not followed: there is nothing to put off")
		return nil
	case !told.Same:
		p.fault("business-rule", at+".by", "this is not the user who was shown the card")
		return nil
	}
	d.Token = f.Card + "|" + f.At.Format(time.RFC3339Nano)
	err = s.Snooze(c.Request.Context(), told.Key, *d)
	if errors.Is(err, fault.Invalid) || errors.Is(err, fault.NotFound) {
		if d.Until <= s.today() {
			p.fault("business-rule", at+".until", "the day to look again must lie ahead")
			return nil
		}
		p.fault("business-rule", at, "the referral cannot be put off so: nothing stands that could be, it is urgent or approved, or the day lies too far ahead")
		return nil
	}
	return err
}

// read checks one entry. A bare dismissal has no reason at all; it puts nothing off.
func (s *Service) read(p *parser, c *gin.Context, e entry, at string) (Fed, *Decision) {
	client, _ := auth.ClientOf(c.Request.Context())
	f := Fed{Card: strings.ToLower(e.Card), Service: c.Param("id"), Outcome: e.Outcome, Issuer: client.Issuer, Tenant: client.Tenant}
	if e.Card == "" {
		p.fault("required", at+".card", "this member is required")
	}
	if e.Outcome != "accepted" && e.Outcome != "overridden" {
		p.fault("value", at+".outcome", "accepted or overridden")
	}
	if e.Outcome == "accepted" && len(e.Accepted) == 0 {
		p.fault("required", at+".acceptedSuggestions", "what was accepted is named")
	}
	when, err := time.Parse(time.RFC3339, e.At)
	if err != nil {
		p.fault("value", at+".outcomeTimestamp", "a date and time with its zone, as in 2026-03-01T09:30:00Z")
	}
	f.At = when.UTC()
	if e.Override == nil || e.Outcome != "overridden" {
		return f, nil
	}
	f.Reason = codeOf(e.Override.Reason, e.Override.Comment)
	raw, ok := e.Override.Extension[putOffMember]
	if !ok {
		return f, nil
	}
	d := &Decision{Why: strings.TrimSpace(e.Override.Comment)}
	var told struct {
		Until string `json:"until"`
		By    string `json:"by"`
	}
	at += ".overrideReason"
	if json.Unmarshal(raw, &told) != nil {
		p.fault("structure", at+".extension."+putOffMember, "an object with until and by was expected")
		return f, nil
	}
	if d.Until, err = filter.ParseDay(told.Until); err != nil {
		p.fault("value", at+".extension."+putOffMember+".until", "a calendar day, YYYY-MM-DD")
	}
	if ref := fhir.ParseReference(told.By); ref.Type == "" || strings.ContainsFunc(told.By, unicode.IsControl) {
		p.fault("value", at+".extension."+putOffMember+".by", "the user, as Type/id")
	}
	switch {
	case d.Why == "":
		p.fault("required", at+".userComment", "to put a referral off takes the reason in words")
	case len(d.Why) > longest:
		p.fault("too-long", at+".userComment", "the reason has not more than "+strconv.Itoa(longest)+" bytes")
	case strings.ContainsRune(d.Why, 0):
		p.fault("value", at+".userComment", "the character U+0000 stands in no text")
	}
	d.By, f.By = told.By, told.By
	return f, d
}

// codeOf gives one of our codes for a reason.
func codeOf(reason *cards.Coding, comment string) string {
	if reason != nil {
		if at := slices.IndexFunc(cards.Overrides(), func(o cards.Coding) bool {
			return o.Code == reason.Code && (reason.System == "" || reason.System == cards.OverrideSystem)
		}); at >= 0 {
			return reason.Code
		}
	}
	if reason != nil || comment != "" {
		return cards.Other
	}
	return ""
}
