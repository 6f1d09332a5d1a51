package assess

import "dwellwatch/internal/plan"

// plan writes a plan, null where there is none. Of what a struct holds of another without a name the members are its own.
func (s *script) plan(p *plan.Plan) {
	if p == nil {
		s.null()
		return
	}
	s.open('{')
	s.statements("notes", p.Notes)
	s.name("predictors")
	each(s, p.Predictors, func(x *plan.Predictor) {
		s.open('{')
		s.member("name", x.Name)
		s.member("state", string(x.State))
		s.member("text", x.Text)
		s.day("day", x.Day)
		s.member("published", x.Published)
		s.list("evidence", x.Evidence)
		s.source(x.Source)
		s.close('}')
	})
	s.approach(&p.Approach)
	s.name("routes")
	each(s, p.Routes, func(r *plan.Route) {
		s.open('{')
		s.member("vein", r.Vein)
		s.member("side", r.Side)
		s.member("state", r.State)
		s.member("text", r.Text)
		s.day("day", r.Day)
		s.list("evidence", r.Evidence)
		s.source(r.Source)
		s.close('}')
	})
	s.ladder(p)
	s.imaging(&p.Imaging)
	s.laboratory(&p.Laboratory)
	s.anticoagulation(&p.Anticoagulation)
	s.statements("afterwards", p.Afterwards)
	s.name("asks")
	each(s, p.Asks, func(a *plan.Ask) {
		s.open('{')
		s.member("what", a.What)
		s.member("text", a.Text)
		s.source(a.Source)
		s.close('}')
	})
	s.close('}')
}

// stated writes the members of a statement.
func (s *script) stated(x *plan.Statement) {
	s.member("text", x.Text)
	s.list("evidence", x.Evidence)
	s.source(x.Source)
}

func (s *script) statement(x *plan.Statement) {
	s.open('{')
	s.stated(x)
	s.close('}')
}

func (s *script) statements(name string, list []plan.Statement) {
	s.name(name)
	each(s, list, s.statement)
}

func (s *script) approach(a *plan.Approach) {
	s.name("approach")
	s.open('{')
	s.member("first", a.First)
	s.flag("complex", a.Complex)
	s.name("why")
	each(s, a.Why, func(r *plan.Reason) {
		s.open('{')
		s.member("predictor", r.Predictor)
		s.member("text", r.Text)
		s.source(r.Source)
		s.close('}')
	})
	s.stated(&a.Statement)
	s.close('}')
}

// ladder writes the steps and what they need.
func (s *script) ladder(p *plan.Plan) {
	s.name("ladder")
	each(s, p.Ladder, func(x *plan.Step) {
		s.open('{')
		s.name("step")
		s.whole(x.Step)
		s.member("technique", x.Technique)
		s.member("when", x.When)
		s.member("access", x.Access)
		s.name("sheath")
		s.open('{')
		s.name("minFrench")
		s.whole(x.Sheath.MinFrench)
		s.name("maxFrench")
		s.whole(x.Sheath.MaxFrench)
		s.member("note", x.Sheath.Note)
		s.close('}')
		s.list("hazards", x.Hazards)
		s.member("bailOut", x.BailOut)
		s.source(x.Source)
		s.close('}')
	})
	s.name("kit")
	each(s, p.Kit, func(x *plan.Item) {
		s.open('{')
		s.member("name", x.Name)
		s.member("for", x.For)
		s.source(x.Source)
		s.close('}')
	})
}

func (s *script) imaging(i *plan.Imaging) {
	s.name("imaging")
	s.open('{')
	s.name("onRecord")
	each(s, i.OnRecord, func(v *plan.Study) {
		s.open('{')
		s.member("modality", v.Modality)
		s.member("day", v.Day)
		s.member("place", v.Place)
		s.list("evidence", v.Evidence)
		s.close('}')
	})
	s.name("advice")
	each(s, i.Advice, func(a *plan.Advice) {
		s.open('{')
		s.member("examination", a.Examination)
		s.member("need", a.Need)
		s.member("text", a.Text)
		s.list("because", a.Because)
		s.source(a.Source)
		s.close('}')
	})
	s.close('}')
}

func (s *script) laboratory(l *plan.Laboratory) {
	s.name("laboratory")
	s.open('{')
	s.flag("needed", l.Needed)
	s.member("category", l.Category)
	s.name("tests")
	each(s, l.Tests, func(t *plan.Test) {
		s.open('{')
		s.member("name", t.Name)
		s.member("unit", t.Unit)
		s.amount("value", t.Value)
		s.day("day", t.Day)
		s.amount("pass", t.Pass)
		s.amount("correct", t.Correct)
		s.member("result", t.Result)
		s.member("text", t.Text)
		s.list("evidence", t.Evidence)
		s.source(t.Source)
		s.close('}')
	})
	s.name("contrast")
	maybe(s, l.Contrast, func(c plan.Contrast) {
		s.open('{')
		s.member("risk", c.Risk)
		s.amount("filtration", c.Filtration)
		s.day("day", c.Day)
		s.member("text", c.Text)
		s.list("evidence", c.Evidence)
		s.source(c.Source)
		s.close('}')
	})
	s.stated(&l.Statement)
	s.close('}')
}

func (s *script) anticoagulation(a *plan.Anticoagulation) {
	s.name("anticoagulation")
	s.open('{')
	s.name("default")
	s.statement(&a.Default)
	s.flag("red", a.Red)
	s.day("redUntil", a.RedUntil)
	s.name("redText")
	s.statement(&a.RedText)
	s.member("condition", a.Condition)
	s.name("holds")
	each(s, a.Holds, func(h *plan.AgentHold) {
		s.open('{')
		s.member("agent", h.Agent)
		s.member("level", h.Level)
		s.name("clearance")
		maybe(s, h.Clearance, s.clearance)
		s.member("hold", h.Hold)
		s.member("restart", h.Restart)
		s.flag("needsClinician", h.NeedsClinician)
		s.stated(&h.Statement)
		s.close('}')
	})
	s.close('}')
}

func (s *script) clearance(c plan.Clearance) {
	s.open('{')
	s.amount("low", &c.Low)
	s.amount("high", &c.High)
	s.amount("weightKg", &c.WeightKg)
	s.member("weightDay", c.WeightDay)
	s.amount("creatinine", &c.Creatinine)
	s.member("creatinineDay", c.CreatinineDay)
	s.close('}')
}
