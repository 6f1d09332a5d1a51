package main

import (
	"cmp"
	"context"
	"maps"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/alecthomas/kong"

	"dwellwatch/api"
	"dwellwatch/api/signin"
	"dwellwatch/internal/auth"
	"dwellwatch/internal/postgres"
)

// callerSettings say who may call beside those who show the token.
type callerSettings struct {
	FeedTokens  pairs    `help:"Secrets that open one feed's doors alone: lab=secret;pacs=secret" env:"DWELLWATCH_FEED_TOKENS" placeholder:"FEED=TOKEN;…"`
	Issuers     pairs    `help:"Authorization servers whose access tokens count, each with the address of its keys; without one it is found by discovery: https://login.example.org;https://other.example.org=https://other.example.org/jwks" env:"DWELLWATCH_ISSUERS" placeholder:"URL[=URL];…"`
	Audience    []string `help:"Values of aud that mean this service. Default: the public URL, and the bases of its doors." env:"DWELLWATCH_AUDIENCE" placeholder:"AUD,…" sep:","`
	FeedCallers pairs    `help:"Who may deliver to a feed by access token, as issuer|client or issuer: lab=https://login.example.org|lab-client. A feed that is not named takes every client with the scope." env:"DWELLWATCH_FEED_CALLERS" placeholder:"FEED=ISSUER|CLIENT,…;…"`
	RateLimit   float64  `help:"Requests per second of one caller, with twice as many at once; 0 for no limit." default:"0" env:"DWELLWATCH_RATE_LIMIT"`

	CDSClients  pairs    `help:"CDS clients by iss, each with the addresses of its keys (jku): https://ehr.example.org=https://ehr.example.org/jwks" env:"DWELLWATCH_CDS_CLIENTS" placeholder:"ISS=URL,…;…"`
	CDSAudience []string `help:"Further base URLs under which CDS clients know this service, or fixed values of aud that they send." env:"DWELLWATCH_CDS_AUDIENCE" placeholder:"AUD,…" sep:","`
	CDSTenants  []string `help:"Tenants of CDS clients that may call. Default: all." env:"DWELLWATCH_CDS_TENANTS" placeholder:"TENANT,…" sep:","`

	OIDCIssuer       string        `name:"oidc-issuer" help:"OpenID Connect provider at which people sign in." env:"DWELLWATCH_OIDC_ISSUER" placeholder:"URL"`
	OIDCClientID     string        `name:"oidc-client-id" help:"Our client id there." env:"DWELLWATCH_OIDC_CLIENT_ID" placeholder:"ID"`
	OIDCClientSecret string        `name:"oidc-client-secret" help:"Our secret there; without one we are a public client. PKCE is used in any case." env:"DWELLWATCH_OIDC_CLIENT_SECRET" placeholder:"SECRET"`
	OIDCScopes       []string      `name:"oidc-scopes" help:"Scopes to ask for." default:"openid,profile" env:"DWELLWATCH_OIDC_SCOPES" placeholder:"SCOPE,…" sep:","`
	OIDCRoleClaim    string        `name:"oidc-role-claim" help:"Claim of the ID token that holds groups or roles; a full stop leads into an object, e.g. realm_access.roles." default:"roles" env:"DWELLWATCH_OIDC_ROLE_CLAIM" placeholder:"CLAIM"`
	OIDCRoles        pairs         `name:"oidc-roles" help:"Values of that claim that mean viewer, coordinator, clinician or engineer: viewer=staff;clinician=radiology,surgery. A role that is not named is meant by its own word." env:"DWELLWATCH_OIDC_ROLES" placeholder:"ROLE=VALUE,…;…"`
	LocalSignin      bool          `name:"local-signin" help:"Let people sign in by picking a name and a role, without a password. For demonstrations; refused beyond loopback." env:"DWELLWATCH_LOCAL_SIGNIN"`
	SessionIdle      time.Duration `help:"A session ends after so long without a request." default:"30m" env:"DWELLWATCH_SESSION_IDLE"`
	SessionLifetime  time.Duration `help:"A session ends so long after the sign-in." default:"12h" env:"DWELLWATCH_SESSION_LIFETIME"`
}

// credentials reports whether anybody needs credentials to call.
func (s callerSettings) credentials() bool {
	return len(s.FeedTokens)+len(s.Issuers)+len(s.CDSClients) > 0 || s.OIDCIssuer != ""
}

// check refuses settings that would let in the wrong callers, or none. public and listen are where the service is reached.
func (s callerSettings) check(feeds feedMap, public, listen string) error {
	knownFeed := func(option string, m pairs) error {
		for name := range m {
			if _, known := feeds[name]; !known && name != api.DefaultFeed {
				return usageError{setting(option) + ": it names a feed that is not there; write feed=…, with default or a feed of " + setting("feeds")}
			}
		}
		return nil
	}
	if err := cmp.Or(knownFeed("feed-tokens", s.FeedTokens), knownFeed("feed-callers", s.FeedCallers), s.checkMachines(public), s.checkClients(public)); err != nil {
		return err
	}
	return s.checkPeople(public, listen)
}

func (s callerSettings) checkMachines(public string) error {
	for _, secret := range s.FeedTokens {
		if secret == "" || strings.ContainsFunc(secret, func(r rune) bool { return r <= ' ' || r > '~' }) {
			return usageError{setting("feed-tokens") + ": a token has visible ASCII characters only, and no blank within"}
		}
	}
	for issuer, keys := range s.Issuers {
		for _, address := range []string{issuer, keys} {
			if fault := addressFault(address); address != "" && fault != "" {
				return usageError{setting("issuers") + ": " + fault}
			}
		}
	}
	if len(s.Issuers) > 0 && len(s.Audience) == 0 && public == "" {
		return usageError{setting("issuers") + ": set " + setting("audience") + " or " + setting("public-url") + " too: a token must say that it is meant for this service"}
	}
	for _, callers := range s.FeedCallers {
		for pin := range strings.SplitSeq(callers, ",") {
			issuer, _, _ := strings.Cut(pin, "|")
			if _, known := s.Issuers[strings.TrimSpace(issuer)]; !known {
				return usageError{setting("feed-callers") + ": write feed=issuer|client, with an issuer of " + setting("issuers")}
			}
		}
	}
	if s.RateLimit < 0 {
		return usageError{setting("rate-limit") + ": 0 or more"}
	}
	return nil
}

func (s callerSettings) checkClients(public string) error {
	for issuer, addresses := range s.CDSClients {
		if issuer == "" || addresses == "" {
			return usageError{setting("cds-clients") + ": write iss=URL of its keys"}
		}
		for address := range strings.SplitSeq(addresses, ",") {
			if fault := addressFault(strings.TrimSpace(address)); fault != "" {
				return usageError{setting("cds-clients") + ": " + fault}
			}
		}
	}
	if len(s.CDSClients) > 0 && len(s.CDSAudience) == 0 && public == "" {
		return usageError{setting("cds-clients") + ": set " + setting("public-url") + " too: a client's token names the address that it calls"}
	}
	return nil
}

func (s callerSettings) checkPeople(public, listen string) error {
	if s.SessionIdle < time.Minute || s.SessionLifetime < s.SessionIdle {
		return usageError{setting("session-idle") + ": at least 1m, and not longer than " + setting("session-lifetime")}
	}
	if s.LocalSignin && (s.OIDCIssuer != "" || auth.Beyond(listen)) {
		return usageError{setting("local-signin") + ": it asks for no password, so only on a loopback address, and not beside " + setting("oidc-issuer")}
	}
	if s.OIDCIssuer == "" {
		return nil
	}
	if fault := addressFault(s.OIDCIssuer); fault != "" {
		return usageError{setting("oidc-issuer") + ": " + fault}
	}
	if s.OIDCClientID == "" {
		return usageError{setting("oidc-issuer") + ": set " + setting("oidc-client-id") + " too"}
	}
	if public == "" || addressFault(public) != "" {
		return usageError{setting("oidc-issuer") + ": set " + setting("public-url") + " too, with https beyond this machine: people are sent back there"}
	}
	if !slices.Contains(s.OIDCScopes, "openid") {
		return usageError{setting("oidc-scopes") + ": openid must be among them"}
	}
	for role := range s.OIDCRoles {
		if !slices.Contains(signin.Roles(), auth.Role(role)) {
			return usageError{setting("oidc-roles") + ": roles are viewer, coordinator, clinician and engineer"}
		}
	}
	return nil
}

func addressFault(address string) string {
	if err := auth.CheckAddress(address); err != nil {
		return err.Error()
	}
	return ""
}

// machines says which machines may call.
func (s callerSettings) machines() auth.MachineConfig {
	out := auth.MachineConfig{Feeds: s.FeedTokens, Audiences: s.Audience}
	for _, issuer := range slices.Sorted(maps.Keys(s.Issuers)) {
		out.Issuers = append(out.Issuers, auth.Issuer{URL: issuer, JWKS: s.Issuers[issuer]})
	}
	out.Pins = map[string][]auth.Pin{}
	for feed, callers := range s.FeedCallers {
		for _, pin := range listOf(callers) {
			issuer, client, _ := strings.Cut(pin, "|")
			out.Pins[feed] = append(out.Pins[feed], auth.Pin{Issuer: strings.TrimSpace(issuer), Client: strings.TrimSpace(client)})
		}
	}
	return out
}

// listOf parts a value at its commas.
func listOf(text string) []string {
	var out []string
	for part := range strings.SplitSeq(text, ",") {
		if part = strings.TrimSpace(part); part != "" {
			out = append(out, part)
		}
	}
	return out
}

// clients gives the CDS clients; nil where there are none.
func (p *program) clients() *auth.Clients {
	if len(p.CDSClients) == 0 {
		return nil
	}
	c := auth.ClientConfig{Bases: p.CDSAudience, Constants: p.CDSAudience, Tenants: p.CDSTenants, Now: p.now,
		First: func(ctx context.Context, issuer, id string, until time.Time) (bool, error) {
			return p.store.FirstUse(ctx, issuer, id, p.now(), until)
		}}
	if p.PublicURL != "" {
		c.Bases = append([]string{p.PublicURL}, c.Bases...)
	}
	for _, issuer := range slices.Sorted(maps.Keys(p.CDSClients)) {
		c.Parties = append(c.Parties, auth.Party{Issuer: issuer, Addresses: listOf(p.CDSClients[issuer])})
	}
	return auth.NewClients(c)
}

// people gives the sign-in; nil where there is none.
func (p *program) people() (*signin.SignIn, error) {
	if p.OIDCIssuer == "" && !p.LocalSignin {
		return nil, nil
	}
	c := signin.Config{Local: p.LocalSignin, Idle: p.SessionIdle, Lifetime: p.SessionLifetime, Store: sessions{p.store}, Now: p.now, Log: p.log,
		Audit: func(ctx context.Context, who auth.Person, action, pattern, outcome string) {
			roles := make([]string, len(who.Roles))
			for i, r := range who.Roles {
				roles[i] = string(r)
			}
			if err := p.store.Audit(ctx, postgres.Entry{At: p.now(), Caller: "person " + who.Subject, Action: action, Route: pattern, Outcome: outcome, Role: strings.Join(roles, ",")}); err != nil {
				p.log.Error("audit row not written", "route", pattern)
			}
		}}
	if p.OIDCIssuer != "" {
		public, err := url.Parse(p.PublicURL)
		if err != nil {
			return nil, usageError{setting("public-url") + ": not a URL"}
		}
		c.Origin, c.Secure = public.Scheme+"://"+public.Host, public.Scheme == "https"
		c.Provider = &signin.Provider{Issuer: p.OIDCIssuer, ClientID: p.OIDCClientID, ClientSecret: p.OIDCClientSecret, Scopes: p.OIDCScopes,
			Redirect: strings.TrimSuffix(p.PublicURL, "/") + "/signin/callback", RoleClaim: p.OIDCRoleClaim, Roles: map[auth.Role][]string{},
			Record: p.RecordURL, Now: p.now}
		for role, values := range p.OIDCRoles {
			c.Provider.Roles[auth.Role(role)] = listOf(values)
		}
	}
	return signin.New(c)
}

// sessions keeps the sign-in's sessions in the database.
type sessions struct{ store *postgres.Store }

func (s sessions) StartSession(ctx context.Context, digest []byte, n signin.Session) error {
	return s.store.StartSession(ctx, digest, postgres.Session(n))
}

func (s sessions) Session(ctx context.Context, digest []byte, now time.Time, idle time.Duration) (signin.Session, error) {
	n, err := s.store.Session(ctx, digest, now, idle)
	return signin.Session(n), err
}

func (s sessions) EndSession(ctx context.Context, digest []byte) error {
	return s.store.EndSession(ctx, digest)
}

// admit fills in who may call.
func (p *program) admit(c *api.Config) error {
	people, err := p.people()
	if err != nil {
		return err
	}
	c.People, c.Clients, c.Machines, c.Rate = people, p.clients(), p.machines(), p.RateLimit
	c.Beyond = p.Listen != "" && auth.Beyond(p.Listen) // the demonstration listens by itself, on loopback
	c.JWKS, err = p.publicKeys()
	return err
}

// pairs are values by name, written name=value;name=value.
type pairs map[string]string

// Decode reads pairs and adds them; a name that stands twice is a fault. A name without a value has "".
func (m *pairs) Decode(ctx *kong.DecodeContext) error {
	option := ctx.Value.Name
	var text string
	if err := ctx.Scan.PopValueInto(option, &text); err != nil {
		return usageError{setting(option) + ": write name=value;name=value"}
	}
	if *m == nil {
		*m = pairs{}
	}
	for part := range strings.SplitSeq(text, ";") {
		if part = strings.TrimSpace(part); part == "" {
			continue
		}
		name, value, _ := strings.Cut(part, "=")
		name = strings.TrimSpace(name)
		if _, twice := (*m)[name]; twice || name == "" {
			return usageError{setting(option) + ": write name=value;name=value, each name once"}
		}
		(*m)[name] = strings.TrimSpace(value)
	}
	return nil
}

// readFile reads a file that a setting names.
func readFile(option, path string) ([]byte, error) {
	body, err := os.ReadFile(kong.ExpandPath(path))
	if err != nil {
		return nil, usageError{setting(option) + ": the file cannot be read"}
	}
	return body, nil
}
