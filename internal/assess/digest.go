package assess

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"hash"
	"math"

	"dwellwatch/internal/plan"
)

// digest makes one number of an answer that differs where anything in it does: every text goes in with its length, every list with how
// many it holds, and what may be missing with whether it is there. It is taken for every patient, so it does not ask each time what a
// struct is made of; a test changes every member and looks whether that shows.
type digest struct {
	sum hash.Hash
	out []byte // what is not in the sum yet
}

func newDigest() *digest { return &digest{sum: sha256.New(), out: make([]byte, 0, 1<<10)} }

// take gives the SHA-256 of what went in, in hexadecimal digits, and begins anew.
func (d *digest) take() string {
	d.sum.Write(d.out)
	var room [sha256.Size]byte
	said := hex.EncodeToString(d.sum.Sum(room[:0]))
	d.sum.Reset()
	d.out = d.out[:0]
	return said
}

func (d *digest) number(n int) { d.out = binary.AppendVarint(d.out, int64(n)) }

func (d *digest) texts(texts ...string) {
	for _, t := range texts {
		if len(d.out)+len(t) > 1000 {
			d.sum.Write(d.out)
			d.out = d.out[:0]
		}
		d.number(len(t))
		d.out = append(d.out, t...)
	}
}

func (d *digest) flags(flags ...bool) {
	for _, f := range flags {
		if f {
			d.out = append(d.out, 1)
		} else {
			d.out = append(d.out, 0)
		}
	}
}

// list puts in how many a list holds; a list that is missing is not one that is empty.
func list[T any](d *digest, list []T, each func(*T)) {
	d.flags(list == nil)
	d.number(len(list))
	for i := range list {
		each(&list[i])
	}
}

func (d *digest) lists(lists ...[]string) {
	for _, l := range lists {
		d.flags(l == nil)
		d.number(len(l))
		d.texts(l...)
	}
}

// maybe puts in a value that may be missing.
func maybe[T any](d *digest, v *T, put func(*T)) {
	d.flags(v != nil)
	if v != nil {
		put(v)
	}
}

func (d *digest) days(days ...*string) {
	for _, day := range days {
		maybe(d, day, func(s *string) { d.texts(*s) })
	}
}

func (d *digest) amounts(amounts ...*float64) {
	for _, a := range amounts {
		maybe(d, a, func(v *float64) { d.out = binary.LittleEndian.AppendUint64(d.out, math.Float64bits(*v)) })
	}
}

func (d *digest) ranged(r *Range) { d.days(r.Earliest, r.Latest) }

func (d *digest) filter(f *Filter) {
	d.texts(f.Key, f.Standing, f.Model.Name, f.Model.Design, f.Model.Intent, f.Model.By, f.PlannedIntent, f.Window, f.Indication, f.Anticoagulation.Level, f.Verdict, f.Headline, f.Asked, f.Focus, f.PlacedFor)
	d.number(f.Others)
	d.flags(f.Overdue, f.ReassessmentOverdue, f.Emergency)
	d.days(f.Anticoagulation.Agent, f.Anticoagulation.Since, f.ChangesOn, f.LookAgainOn)
	d.lists(f.AskedEvidence, f.Evidence, f.Measured)
	list(d, f.Anticoagulation.Agents, func(p *Prescribed) { d.texts(p.Agent, p.Level) })
	maybe(d, f.Placed, d.ranged)
	maybe(d, f.Removed, d.ranged)
	maybe(d, f.DwellDays, func(w *Days) {
		maybe(d, w.Min, func(n *int) { d.number(*n) })
		maybe(d, w.Max, func(n *int) { d.number(*n) })
	})
	maybe(d, f.WindowBand, func(b *Band) {
		d.number(b.FirstDay)
		d.number(b.LastDay)
		d.ranged(&b.Opens)
		d.ranged(&b.Closes)
	})
	list(d, f.Findings, func(x *Finding) {
		d.texts(x.Rule, x.Text, x.Source, x.Known, x.By)
		d.lists(x.Evidence)
		maybe(d, x.When, d.ranged)
	})
	list(d, f.Contradictions, func(c *Contradiction) {
		d.texts(c.Kind, c.Text)
		d.lists(c.Evidence)
		d.flags(c.Decides)
	})
	list(d, f.Missing, func(m *Missing) { d.texts(m.What, m.Text) })
	list(d, f.Events, func(e *Event) {
		d.ranged(&e.When)
		d.texts(e.What, e.Text)
		d.lists(e.Evidence)
	})
	list(d, f.Courses, func(c *Course) {
		d.texts(c.Agent, c.Level)
		d.ranged(&c.Start)
		d.ranged(&c.End)
		d.flags(c.Runs)
		d.lists(c.Evidence)
	})
	list(d, f.Background, func(h *Happening) {
		d.ranged(&h.When)
		d.texts(h.What, h.Text)
		d.lists(h.Evidence)
	})
	maybe(d, f.Plan, d.plan)
}

func (d *digest) person(p Person) {
	d.texts(p.Name, p.BirthDate, p.Sex)
	d.flags(p.Deceased)
	d.lists(p.OtherNames, p.Numbers)
}

func (d *digest) source(s plan.Source) { d.texts(s.Source, string(s.Known)) }

func (d *digest) statement(s *plan.Statement) {
	d.texts(s.Text)
	d.lists(s.Evidence)
	d.source(s.Source)
}

func (d *digest) plan(p *plan.Plan) {
	list(d, p.Notes, d.statement)
	list(d, p.Predictors, func(x *plan.Predictor) {
		d.texts(x.Name, string(x.State), x.Text, x.Published)
		d.days(x.Day)
		d.lists(x.Evidence)
		d.source(x.Source)
	})
	d.texts(p.Approach.First)
	d.flags(p.Approach.Complex)
	list(d, p.Approach.Why, func(r *plan.Reason) { d.texts(r.Predictor, r.Text); d.source(r.Source) })
	d.statement(&p.Approach.Statement)
	list(d, p.Routes, func(r *plan.Route) {
		d.texts(r.Vein, r.Side, r.State, r.Text)
		d.days(r.Day)
		d.lists(r.Evidence)
		d.source(r.Source)
	})
	list(d, p.Ladder, func(s *plan.Step) {
		d.number(s.Step)
		d.texts(s.Technique, s.When, s.Access, s.Sheath.Note, s.BailOut)
		d.number(s.Sheath.MinFrench)
		d.number(s.Sheath.MaxFrench)
		d.lists(s.Hazards)
		d.source(s.Source)
	})
	list(d, p.Kit, func(i *plan.Item) { d.texts(i.Name, i.For); d.source(i.Source) })
	list(d, p.Imaging.OnRecord, func(s *plan.Study) { d.texts(s.Modality, s.Day, s.Place); d.lists(s.Evidence) })
	list(d, p.Imaging.Advice, func(a *plan.Advice) {
		d.texts(a.Examination, a.Need, a.Text)
		d.lists(a.Because)
		d.source(a.Source)
	})
	d.laboratory(&p.Laboratory)
	d.anticoagulation(&p.Anticoagulation)
	list(d, p.Afterwards, d.statement)
	list(d, p.Asks, func(a *plan.Ask) { d.texts(a.What, a.Text); d.source(a.Source) })
	list(d, p.Disagreements, d.statement)
}

func (d *digest) laboratory(l *plan.Laboratory) {
	d.flags(l.Needed)
	d.texts(l.Category)
	list(d, l.Tests, func(t *plan.Test) {
		d.texts(t.Name, t.Unit, t.Result, t.Text)
		d.amounts(t.Value, t.Pass, t.Correct)
		d.days(t.Day)
		d.lists(t.Evidence)
		d.source(t.Source)
	})
	maybe(d, l.Contrast, func(c *plan.Contrast) {
		d.texts(c.Risk, c.Text)
		d.amounts(c.Filtration)
		d.days(c.Day)
		d.lists(c.Evidence)
		d.source(c.Source)
	})
	d.statement(&l.Statement)
}

func (d *digest) anticoagulation(a *plan.Anticoagulation) {
	d.statement(&a.Default)
	d.flags(a.Unsettled, a.Red)
	d.days(a.RedUntil)
	d.statement(&a.RedText)
	d.texts(a.Condition)
	list(d, a.Holds, func(h *plan.AgentHold) {
		d.texts(h.Agent, h.Level, h.Hold, h.Restart)
		d.flags(h.NeedsClinician)
		maybe(d, h.Clearance, func(c *plan.Clearance) {
			d.texts(c.WeightDay, c.CreatinineDay)
			d.amounts(&c.Low, &c.High, &c.WeightKg, &c.Creatinine)
		})
		d.statement(&h.Statement)
	})
}
