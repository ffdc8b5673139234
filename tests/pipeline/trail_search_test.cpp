// The whole trail search on made-up nights (trail_trials.hpp): trails found by their matched
// signal-to-noise in the sub, what is left of them in the result, and nothing found where a
// sky, a detector or a galaxy merely looks like one. Limits are those of the project's own goals.
#include <algorithm>
#include <cstring>

#include "catch.hpp"
#include "trail_scores.hpp"

using namespace trials;

namespace {

struct Tally {
  int found = 0;
  int lines = 0;
  int false_trails = 0;
  int subs = 0;
  double worst = 0.0;

  void add(const Session& session) {
    const Scores scores = judge(session, session.search());
    false_trails += scores.false_trails;
    subs += session.night().subs;
    for (const auto& line : scores.lines) {
      ++lines;
      found += line.found ? 1 : 0;
      worst = std::max(worst, line.residual);
    }
  }
};

struct Kind {
  Shape shape = Shape::steady;
  double share = 1.0;  ///< of the chord
  double disc_px = 0.0;
  double low = 10.0;  ///< matched signal-to-noise, evenly spread in its logarithm
  double high = 100.0;
};

std::vector<Line> lines_for(const Night& night, const Kind& kind, int per_sub) {
  RandomStream random(night.seed, 903, 0);
  std::vector<Line> lines;
  for (int sub = 0; sub < night.subs; ++sub) {
    for (int k = 0; k < per_sub; ++k) {
      Line line = random_line(random, night.frame, kind.share);
      line.sub = sub;
      line.shape = kind.shape;
      line.disc_px = kind.disc_px;
      line.fwhm = night.fwhm * (0.9 + 0.4 * random.uniform());
      set_snr(line, kind.low * std::pow(kind.high / kind.low, random.uniform()));
      lines.push_back(line);
    }
  }
  return lines;
}

Night night_of(int subs, std::uint64_t seed) {
  Night night;
  night.frame = {800, 600};
  night.stars = 120;
  night.subs = subs;
  night.seed = seed;
  return night;
}

Tally tally(const Kind& kind, int subs, int nights, std::uint64_t seed, int per_sub = 2) {
  Tally sum;
  for (int k = 0; k < nights; ++k) {
    const Night night = night_of(subs, seed + static_cast<std::uint64_t>(k));
    sum.add(Session(night, lines_for(night, kind, per_sub)));
  }
  return sum;
}

Tally empty_nights(Night night, int nights) {
  Tally sum;
  for (int k = 0; k < nights; ++k) {
    ++night.seed;
    sum.add(Session(night, {}));
  }
  return sum;
}

}  // namespace

TEST_CASE("Trails of every kind are found and leave nothing in the result", "[pipeline]") {
  for (const Kind& kind : {Kind{}, Kind{Shape::steady, 0.5}, Kind{Shape::steady, 1.0, 14.0},
                           Kind{Shape::fading}, Kind{Shape::dashes},
                           Kind{Shape::blinking, 1, 0, 20}, Kind{Shape::spindle, 0.5, 0.0, 20.0}}) {
    INFO("shape " << static_cast<int>(kind.shape) << " share " << kind.share << " disc "
                  << kind.disc_px);
    const Tally t = tally(kind, 3, 1, 40, 3);
    CHECK(t.found >= t.lines - 1);
    CHECK(t.false_trails == 0);
    CHECK(t.worst < 0.15);
  }
}

TEST_CASE("Trails along the sensor's axes are told from its lines by the other subs",
          "[pipeline]") {
  Night night = night_of(5, 65);
  night.bad_columns = 0.4;
  auto lines = lines_for(night, {Shape::steady, 1.0, 0.0, 14.0, 60.0}, 1);
  for (std::size_t k = 0; k < lines.size(); ++k) {
    Line& line = lines[k];
    const double at = 90.0 + 83.0 * static_cast<double>(k);
    const bool upright = k % 2 == 0;
    line.x1 = upright ? at : 0.0;
    line.x2 = upright ? at + 0.4 : night.frame.width - 1.0;
    line.y1 = upright ? 0.0 : at;
    line.y2 = upright ? night.frame.height - 1.0 : at + 0.4;
    set_snr(line, 14.0 + 6.0 * static_cast<double>(k));
  }
  Tally t;
  t.add(Session(night, lines));
  CHECK(t.found == t.lines);
  CHECK(t.false_trails == 0);
  CHECK(t.worst < 0.15);
}

TEST_CASE("Saturated trails are masked with their wings", "[pipeline]") {
  for (const int subs : {3, 8}) {
    const Tally t = tally({Shape::steady, 1.0, 0.0, 1000.0, 20000.0}, subs, 1, 60, 1);
    CHECK(t.found == t.lines);
    CHECK(t.worst < 0.15);
  }
}

TEST_CASE("Few false trails in skies and detectors that mislead", "[pipeline]") {
  Night night = night_of(4, 70);
  Tally all = empty_nights(night, 1);
  const auto with = [&](auto change) {
    Night other = night_of(4, 80);
    change(other);
    const Tally t = empty_nights(other, 1);
    all.false_trails += t.false_trails;
    all.subs += t.subs;
  };
  with([](Night& n) { n.cloud = 1.0, n.gradient = 1.5, n.cloud_edge = 1.0; });
  with([](Night& n) { n.seeing_change = 0.3, n.registration_error = 0.5, n.stars = 400; });
  with([](Night& n) { n.turn_deg = 4.0; });
  with([](Night& n) { n.bad_columns = 0.4, n.row_noise = 0.15; });
  with([](Night& n) { n.cluster = true; });
  CHECK(all.false_trails == 0);
}

TEST_CASE("The trail search does not depend on threads", "[pipeline]") {
  const Night night = night_of(4, 90);
  const Session session(night, lines_for(night, {}, 2));
  const auto one = session.search(1);
  const auto three = session.search(3);
  REQUIRE(one.size() == three.size());
  for (std::size_t k = 0; k < one.size(); ++k) {
    REQUIRE(one[k].size() == three[k].size());
    for (std::size_t i = 0; i < one[k].size(); ++i) {
      CHECK(one[k][i].x1 == three[k][i].x1);
      CHECK(one[k][i].y2 == three[k][i].y2);
      CHECK(one[k][i].width_px == three[k][i].width_px);
      CHECK(one[k][i].significance == three[k][i].significance);
    }
  }
}

TEST_CASE("Trails by their signal-to-noise, many nights", "[.soak]") {
  for (const int subs : {3, 4, 6, 12, 30}) {
    const int nights = std::max(60 / subs, 4);
    const Tally bright = tally({Shape::steady, 1.0, 0.0, 10.0, 3000.0}, subs, nights, 1000, 1);
    const Tally faint = tally({Shape::steady, 1.0, 0.0, 7.0, 10.0}, subs, nights, 3000, 1);
    WARN(subs << " subs: 10 and brighter " << bright.found << "/" << bright.lines << ", 7 to 10 "
              << faint.found << "/" << faint.lines << ", worst residual " << bright.worst
              << ", false " << bright.false_trails + faint.false_trails << " in "
              << bright.subs + faint.subs);
    CHECK(bright.found == bright.lines);
    CHECK(bright.worst <= 0.15);
    CHECK(faint.found >= 0.9 * faint.lines);
  }
}

TEST_CASE("False trails, many nights", "[.soak]") {
  const auto run = [](const char* name, auto change) {
    Night night;
    night.seed = 5000;
    change(night);
    const Tally t = empty_nights(night, 20);
    WARN(name << ": " << t.false_trails << " false in " << t.subs << " subs");
    CHECK(t.false_trails <= t.subs / 200 + 1);
  };
  run("plain", [](Night&) {});
  run("clouds", [](Night& n) { n.cloud = 1.0, n.gradient = 1.5, n.cloud_edge = 1.0; });
  run("gradient", [](Night& n) { n.gradient = 10.0; });
  run("seeing", [](Night& n) { n.seeing_change = 0.3, n.registration_error = 0.5, n.stars = 800; });
  run("turning", [](Night& n) { n.turn_deg = 4.0; });
  run("spikes", [](Night& n) { n.spikes = true, n.turn_deg = 2.0, n.stars = 400; });
  run("columns", [](Night& n) { n.bad_columns = 0.4, n.row_noise = 0.15; });
  run("cluster", [](Night& n) { n.cluster = true; });
  run("drift", [](Night& n) { n.drift_px = 15.0, n.depth_change = 0.2, n.gradient = 3.0; });
}
