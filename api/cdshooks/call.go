package cdshooks

import (
	"context"
	"net/http"
	"strings"

	"dwellwatch/internal/auth"
	"dwellwatch/internal/cards"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"
)

// call answers one hook.
func (s *Service) call(c *gin.Context) {
	shown, err := s.cardsFor(c)
	if err != nil {
		s.refuse(c, err)
		return
	}
	c.Data(http.StatusOK, plainJSON, shown)
}

func (s *Service) cardsFor(c *gin.Context) ([]byte, error) {
	hook, ok := hookOf(c.Param("id"))
	if !ok {
		return nil, wrong(http.StatusNotFound, "not-found", "", "there is no such service")
	}
	body, err := s.body(c)
	if err != nil {
		return nil, err
	}
	r, err := parse(body, hook)
	if err != nil {
		return nil, err
	}
	shown, err := s.answer(c.Request.Context(), r)
	if err != nil {
		return nil, err
	}
	return encode(reply{shown})
}

// answer gives the cards for a request; never nil without an error.
func (s *Service) answer(ctx context.Context, r request) ([]cards.Card, error) {
	none := []cards.Card{}
	if !clinician(r.user) {
		return none, nil
	}
	v := s.visit(r)
	if !v.concerns() {
		return none, nil
	}
	in, concerns, err := v.input(ctx)
	if err != nil {
		return nil, err
	}
	if !concerns {
		return none, nil
	}
	client, _ := auth.ClientOf(ctx)
	for _, offer := range cards.Of(in) {
		sign(&offer, r, client.Issuer)
		shown := Shown{Offer: offer, Service: family + string(r.hook), Issuer: client.Issuer, Tenant: client.Tenant, User: r.user, Feed: v.feed, Patient: r.patient, On: v.on}
		if shown.Feed == "" {
			shown.Feed = "server " + bare(r.server)
		}
		if in.Known {
			shown.Followed = offer.Key
		}
		may, err := s.Show(ctx, shown)
		switch {
		case err != nil:
			return nil, err
		case may:
			return []cards.Card{offer.Card}, nil
		}
	}
	return none, nil
}

// clinician reports whether a user is no patient and no relative of one: cards are for those who treat.
func clinician(user string) bool {
	return !strings.HasPrefix(user, "Patient/") && !strings.HasPrefix(user, "RelatedPerson/")
}

// sign gives a card its identity: the same call asked twice shows the same card.
func sign(o *cards.Offer, r request, issuer string) {
	card := &o.Card
	space := uuid.NewSHA1(uuid.NameSpaceURL, []byte("urn:dwellwatch:card"))
	card.UUID = uuid.NewSHA1(space, []byte(strings.Join([]string{issuer, r.user, r.instance, o.Key, string(o.Kind), o.Matter}, "\n"))).String()
	for i := range card.Suggestions {
		card.Suggestions[i].UUID = uuid.NewSHA1(uuid.MustParse(card.UUID), []byte{byte(i)}).String()
	}
}
