// How well a search did on a made-up session.
#pragma once

#include "trail_trials.hpp"

namespace trials {

struct LineScore {
  bool found = false;
  double residual = 0.0;        ///< mean over the full width, in noise of the result
  double residual_clipped = 0;  ///< the same when samples beyond 5 sigma are rejected as well
};

struct Scores {
  std::vector<LineScore> lines;
  int false_trails = 0;
  std::vector<stack::Trail> wrong;
};

inline stack::Trail in_sub(const Transform& transform, stack::Trail t) {
  const Point a = transform.unapply({t.x1, t.y1});
  const Point b = transform.unapply({t.x2, t.y2});
  t.x1 = a.x;
  t.y1 = a.y;
  t.x2 = b.x;
  t.y2 = b.y;
  return t;
}

/// Along the found segment: the share of it that lies on the line. `slack` in pixels.
inline double share_on(const stack::Trail& t, const Line& line, double slack) {
  const double l = line.length();
  const double ux = (line.x2 - line.x1) / l;
  const double uy = (line.y2 - line.y1) / l;
  int on = 0;
  constexpr int steps = 40;
  for (int k = 0; k < steps; ++k) {
    const double s = (k + 0.5) / steps;
    const double x = t.x1 + s * (t.x2 - t.x1);
    const double y = t.y1 + s * (t.y2 - t.y1);
    const double along = (x - line.x1) * ux + (y - line.y1) * uy;
    const double across = (y - line.y1) * ux - (x - line.x1) * uy;
    on += along > -0.1 * l && along < 1.1 * l && std::fabs(across) < slack ? 1 : 0;
  }
  return on / static_cast<double>(steps);
}

inline Scores judge(const Session& session, const std::vector<std::vector<stack::Trail>>& found) {
  Scores scores;
  const Size size = session.night().frame;
  const double share = 1.0 / std::sqrt(static_cast<double>(session.night().subs));
  std::vector<std::vector<stack::Trail>> seen(found.size());
  for (std::size_t k = 0; k < found.size(); ++k) {
    for (const auto& t : found[k]) {
      seen[k].push_back(in_sub(session.assumed(static_cast<int>(k)), t));
      const bool known =
          std::any_of(session.lines().begin(), session.lines().end(), [&](const Line& line) {
            const double slack = 3.0 * session.night().bin + 0.5 * t.width_px + line.disc_px;
            return line.sub == static_cast<int>(k) && share_on(seen[k].back(), line, slack) > 0.6;
          });
      if (known) continue;
      ++scores.false_trails;
      scores.wrong.push_back(t);
    }
  }
  Mask mask(size);
  for (const Line& line : session.lines()) {
    LineScore score;
    const auto& own = seen[static_cast<std::size_t>(line.sub)];
    for (const auto& t : own) {
      const double slack = 2.5 * session.night().bin + 0.5 * line.disc_px + 2.0;
      const double covers = std::hypot(t.x2 - t.x1, t.y2 - t.y1) / line.length();
      score.found = score.found || (share_on(t, line, slack) > 0.6 && covers > 0.2);
    }
    for (auto& v : mask.view().row(0)) v = 0;
    for (int y = 1; y < size.height; ++y) std::fill(mask.row(y).begin(), mask.row(y).end(), 0);
    stack::mask_trails(own, whole(size), mask.view());
    const double least = std::max(1.5 * line.fwhm, 0.5 * line.disc_px);
    double wide = least;
    while (wide < 200.0 && line.peak_e * line.across(wide) > 0.1 * sky_noise()) wide += 1.0;
    double sum = 0.0;
    double clipped = 0.0;
    double count = 0.0;
    line.draw(size, wide, [&](int x, int y, double e) {
      count += 1.0;
      if (mask(x, y) != 0) return;
      const double z = e / sky_noise();
      sum += z * share;
      clipped += z < 5.0 ? z * share : 0.0;
    });
    score.residual = count > 0.0 ? sum / count : 0.0;
    score.residual_clipped = count > 0.0 ? clipped / count : 0.0;
    scores.lines.push_back(score);
  }
  return scores;
}

/// A line through a random point of the frame; `share` of the chord is kept, at a random place.
inline Line random_line(RandomStream& random, Size frame, double share) {
  const double w = frame.width - 1.0;
  const double h = frame.height - 1.0;
  for (;;) {
    const double angle = std::numbers::pi * random.uniform();
    const double c = std::cos(angle);
    const double s = std::sin(angle);
    const double x = w * random.uniform();
    const double y = h * random.uniform();
    double low = -1e5;
    double high = 1e5;
    const auto limit = [&](double p, double d, double most) {
      if (std::fabs(d) < 1e-9) return;
      low = std::max(low, std::min(-p / d, (most - p) / d));
      high = std::min(high, std::max(-p / d, (most - p) / d));
    };
    limit(x, c, w);
    limit(y, s, h);
    const double chord = high - low;
    if (chord < 0.4 * h) continue;
    const double first = low + (1.0 - share) * chord * random.uniform();
    const double last = first + share * chord;
    Line line;
    line.x1 = x + first * c;
    line.y1 = y + first * s;
    line.x2 = x + last * c;
    line.y2 = y + last * s;
    return line;
  }
}

/// The peak that gives a line its matched signal-to-noise in white sky noise.
inline void set_snr(Line& line, double snr) {
  line.peak_e = 1.0;
  double power = 0.0;
  const double l = line.length();
  for (double t = 0.5; t < l; t += 1.0) power += line.along(t) * line.along(t);
  double across = 0.0;
  for (double d = -60.0; d <= 60.0; d += 0.1) across += 0.1 * line.across(d) * line.across(d);
  line.peak_e = snr * sky_noise() / std::sqrt(power * across);
}

}  // namespace trials
