package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // a bare machine has no zone files

	"github.com/alecthomas/kong"
	"go.yaml.in/yaml/v3"
)

// programSettings say which PostgreSQL runs a private cluster.
type programSettings struct {
	PGBin string `name:"pg-bin" help:"Folder of the PostgreSQL server programs (initdb, postgres) for the private cluster. Without it the usual places are searched." env:"DWELLWATCH_PG_BIN" placeholder:"DIR"`
}

// databaseSettings say which database is used.
type databaseSettings struct {
	programSettings `embed:""`
	DatabaseURL     string `help:"PostgreSQL URL. Without it a private cluster is run from the server programs found on this machine." env:"DWELLWATCH_DATABASE_URL" placeholder:"URL"`
	DataDir         string `help:"Folder of the private cluster. Default: /var/lib/dwellwatch/postgres as root, else ~/.local/share/dwellwatch/postgres." env:"DWELLWATCH_DATA_DIR" placeholder:"DIR"`
}

// basisSettings say what an assessment rests on.
type basisSettings struct {
	Zone      string     `help:"Time zone of the facility, which decides what day it is." default:"UTC" env:"DWELLWATCH_ZONE"`
	Policy    policyFile `help:"Policy of the site, a YAML file: a name and the thresholds that differ." env:"DWELLWATCH_POLICY" placeholder:"FILE"`
	Catalogue string     `help:"Device catalogue: a Bundle of FHIR DeviceDefinition." env:"DWELLWATCH_CATALOGUE" placeholder:"FILE"`
	ValueSets []string   `help:"Files or folders of FHIR ValueSet JSON that add to the shipped value sets." env:"DWELLWATCH_VALUE_SETS" placeholder:"PATH" sep:","`
}

// recordSettings say which record is read and written.
type recordSettings struct {
	RecordURL        string        `help:"FHIR R4 base of the hospital's record, to read context from and write drafts to." env:"DWELLWATCH_RECORD_URL" placeholder:"URL"`
	RecordToken      string        `help:"Bearer token for the record." env:"DWELLWATCH_RECORD_TOKEN" placeholder:"TOKEN"`
	RecordTimeout    time.Duration `help:"How long one request to the record may take." default:"30s" env:"DWELLWATCH_RECORD_TIMEOUT"`
	ClinicOwner      string        `help:"Reference that owns Tasks to the retrieval clinic, e.g. Organization/ir. Without it they carry a performer type, and a draft without owner is read by nobody." env:"DWELLWATCH_CLINIC_OWNER" placeholder:"TYPE/ID"`
	CoordinatorOwner string        `help:"Reference that owns Tasks to the coordinator." env:"DWELLWATCH_COORDINATOR_OWNER" placeholder:"TYPE/ID"`
	Custodian        string        `help:"Reference of the organisation that keeps the documents." env:"DWELLWATCH_CUSTODIAN" placeholder:"TYPE/ID"`
	Paper            string        `help:"Paper of the documents: A4 or Letter." default:"A4" env:"DWELLWATCH_PAPER"`
}

// listenSettings say who may call and how.
type listenSettings struct {
	Listen    string  `help:"Address to listen on. Beyond loopback a token is required." default:"127.0.0.1:8080" env:"DWELLWATCH_LISTEN"`
	Token     string  `help:"Bearer token that callers must show." env:"DWELLWATCH_TOKEN" placeholder:"TOKEN"`
	PublicURL string  `help:"How callers reach this service, for Location headers." env:"DWELLWATCH_PUBLIC_URL" placeholder:"URL"`
	Feeds     feedMap `help:"Further feeds by name with the FHIR base of their sender: lab=https://lab.example.org/fhir;pacs=…" env:"DWELLWATCH_FEEDS" placeholder:"NAME=URL;…"`
	BodyLimit int64   `help:"Largest body in bytes, after unpacking." default:"10485760" env:"DWELLWATCH_BODY_LIMIT"`
	Workers   int     `help:"Jobs of this process that run at once." default:"8" env:"DWELLWATCH_WORKERS"`
	// RescueAfter also bounds a job: it may take three quarters of it, and no more than 3 minutes.
	RescueAfter time.Duration `help:"How long a job waits that was running when its process was killed, before another takes it up." default:"4m" env:"DWELLWATCH_RESCUE_AFTER"`
}

type logSettings struct {
	LogLevel slog.Level `help:"debug, info, warn or error." default:"info" env:"DWELLWATCH_LOG_LEVEL"`
}

// configFile is a YAML file whose keys are the long option names, with hyphens or underscores. An option on the command
// line or in the environment wins over it; an unknown key is refused.
type configFile string

// BeforeResolve reads the file before the options are settled.
func (f configFile) BeforeResolve(k *kong.Kong, ctx *kong.Context, trace *kong.Path) error {
	path := string(ctx.FlagValue(trace.Flag).(configFile))
	if path == "" {
		return nil
	}
	body, err := os.ReadFile(kong.ExpandPath(path))
	if err != nil {
		return fmt.Errorf("%s: %w", setting("config"), err)
	}
	values, err := readYAML(body)
	if err != nil {
		return fmt.Errorf("%s: %s: %w", setting("config"), path, err)
	}
	settings := map[string]any{}
	for key, v := range values {
		name := strings.ReplaceAll(key, "_", "-")
		if !knownFlag(k.Model.Node, name) {
			return fmt.Errorf("%s: %s: %s is not a setting", setting("config"), path, key)
		}
		if _, twice := settings[name]; twice {
			return fmt.Errorf("%s: %s: %s stands twice", setting("config"), path, name)
		}
		value, given, err := flat(name, v)
		if err != nil {
			return fmt.Errorf("%s: %s: %s: %w", setting("config"), path, name, err)
		}
		if given {
			settings[name] = value
		}
	}
	ctx.AddResolver(kong.ResolverFunc(func(_ *kong.Context, _ *kong.Path, flag *kong.Flag) (any, error) {
		for _, env := range flag.Envs {
			if os.Getenv(env) != "" {
				return nil, nil
			}
		}
		return settings[flag.Name], nil
	}))
	return nil
}

func knownFlag(n *kong.Node, name string) bool {
	if slices.ContainsFunc(n.Flags, func(f *kong.Flag) bool { return f.Name == name && name != "config" && name != "help" }) {
		return true
	}
	return slices.ContainsFunc(n.Children, func(c *kong.Node) bool { return knownFlag(c, name) })
}

// readYAML gives the settings of a file of one document. Its errors never quote a value, which may be a secret.
func readYAML(body []byte) (map[string]yaml.Node, error) {
	var values map[string]yaml.Node
	d := yaml.NewDecoder(bytes.NewReader(body))
	switch err := d.Decode(&values); {
	case errors.Is(err, io.EOF):
		return nil, nil
	case err != nil:
		if typed := (*yaml.TypeError)(nil); errors.As(err, &typed) && !strings.Contains(err.Error(), "already defined") {
			err = errors.New("write one setting to a line, as in zone: Europe/Vienna")
		}
		return nil, err
	}
	var further yaml.Node
	if err := d.Decode(&further); !errors.Is(err, io.EOF) {
		return nil, errors.New("a second document begins; all settings stand in one")
	}
	return values, nil
}

// listOptions take several values, with commas between.
func listOptions() []string {
	return []string{"value-sets", "audience", "cds-audience", "cds-tenants", "cds-origins", "oidc-scopes", "record-scopes"}
}

// pairOptions take values by name, with semicolons between.
func pairOptions() []string {
	return []string{"feeds", "feed-tokens", "feed-callers", "issuers", "cds-clients", "cds-servers", "oidc-roles"}
}

// flat writes the value of a key the way the command line takes it; given is false where there is none, which leaves the default.
// Feeds are parted by semicolons, because a URL may hold a comma.
func flat(name string, v yaml.Node) (value string, given bool, err error) {
	if v.Kind == yaml.AliasNode {
		v = *v.Alias
	}
	switch {
	case v.Kind == yaml.ScalarNode:
		return v.Value, v.ShortTag() != "!!null", nil
	case v.Kind == yaml.SequenceNode && (slices.Contains(listOptions(), name) || slices.Contains(pairOptions(), name)):
		separator := ","
		if slices.Contains(pairOptions(), name) {
			separator = ";"
		}
		var parts []string
		for _, e := range v.Content {
			part, _, err := flat(name, *e)
			if err != nil {
				return "", false, err
			}
			parts = append(parts, part)
		}
		return strings.Join(parts, separator), true, nil
	case v.Kind == yaml.MappingNode && slices.Contains(pairOptions(), name):
		var parts []string
		for n := 0; n+1 < len(v.Content); n += 2 {
			inner := "" // one value
			if name != "feeds" {
				inner = listOptions()[0]
			}
			value, _, err := flat(inner, *v.Content[n+1])
			switch {
			case err != nil && name == "feeds":
				return "", false, errors.New("write name: URL")
			case err != nil:
				return "", false, errors.New("write name: value, or name: [value, value]")
			}
			parts = append(parts, v.Content[n].Value+"="+value)
		}
		slices.Sort(parts)
		return strings.Join(parts, ";"), true, nil
	}
	return "", false, errors.New("takes one value, and no list or mapping")
}
