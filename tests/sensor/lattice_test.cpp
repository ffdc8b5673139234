// The method that leaves each colour on its own lattice, against its definition and on stars.
#include <array>
#include <cmath>
#include <numbers>

#include "catch.hpp"
#include "coldframe/sensor/calibrate.hpp"
#include "test_frames.hpp"

using namespace coldframe;
using namespace coldframe::sensor;
using test_frames::all_patterns;
using test_frames::mosaic_of;
using test_frames::Near;
using test_frames::noise_plane;

namespace {

using Planes = std::array<Grid<float>, 3>;

Planes demosaic(const Grid<float>& mosaic, const Mask& mask, CfaPattern pattern,
                Demosaic method = Demosaic::own_lattice) {
  Planes out;
  std::array<Mask, 3> bits;
  PlaneView<float> planes[3];
  PlaneView<std::uint8_t> masks[3];
  for (std::size_t c = 0; c < 3; ++c) {
    out[c] = Grid<float>(mosaic.size());
    bits[c] = Mask(mosaic.size());
    planes[c] = out[c].view();
    masks[c] = bits[c].view();
  }
  demosaic_band(mosaic.view(), mask.view(), whole(mosaic.size()), mosaic.size(), pattern, method,
                whole(mosaic.size()), planes, masks);
  return out;
}

double sinc(double x) { return std::sin(std::numbers::pi * x) / (std::numbers::pi * x); }

/// Lanczos-3 at x = -5/2 ... 5/2, normalised to unit sum, from the definition.
std::array<double, 6> lanczos_weights() {
  std::array<double, 6> w{};
  double sum = 0.0;
  for (std::size_t k = 0; k < 6; ++k) {
    const double x = static_cast<double>(k) - 2.5;
    w[k] = sinc(x) * sinc(x / 3.0);
    sum += w[k];
  }
  for (double& v : w) v /= sum;
  return w;
}

int mirrored(int i, int count) { return i < 0 ? -i : (i >= count ? 2 * (count - 1) - i : i); }

/// The definition, tap by tap.
double expected(const Grid<float>& mosaic, CfaPattern pattern, int colour, int x, int y) {
  static const auto w = lanczos_weights();
  if (cfa_colour(pattern, x, y) == colour) return static_cast<double>(mosaic(x, y));
  const auto at = [&](int i, int j) {
    return static_cast<double>(mosaic(mirrored(i, mosaic.width()), mirrored(j, mosaic.height())));
  };
  const bool row = cfa_colour(pattern, x + 1, y) == colour;
  const bool column = cfa_colour(pattern, x, y + 1) == colour;
  double sum = 0.0;
  for (int a = 0; a < 6; ++a) {
    const double wa = w[static_cast<std::size_t>(a)];
    if (colour != 1 && row) sum += wa * at(x + 2 * a - 5, y);
    if (colour != 1 && column) sum += wa * at(x, y + 2 * a - 5);
    if (colour != 1 && (row || column)) continue;
    for (int b = 0; b < 6; ++b) {
      const double weight = wa * w[static_cast<std::size_t>(b)];
      // Green: u = (x + y)/2 and v = (x - y)/2 in half steps.
      sum +=
          weight * (colour == 1 ? at(x + a + b - 5, y + a - b) : at(x + 2 * a - 5, y + 2 * b - 5));
    }
  }
  return sum;
}

/// Light of a star of unit flux in the pixel centred (dx, dy) from it.
using Profile = double (*)(double dx, double dy, double fwhm);

double gaussian(double dx, double dy, double fwhm) {
  const double scale = 1.0 / (fwhm / 2.354820045 * std::numbers::sqrt2);
  const auto part = [&](double d) {
    return 0.5 * (std::erf((d + 0.5) * scale) - std::erf((d - 0.5) * scale));
  };
  return part(dx) * part(dy);
}

double moffat(double dx, double dy, double fwhm) {
  constexpr double beta = 3.5;
  const double alpha2 = 0.25 * fwhm * fwhm / (std::pow(2.0, 1.0 / beta) - 1.0);
  double sum = 0.0;
  for (int j = -2; j <= 2; ++j) {
    for (int i = -2; i <= 2; ++i) {
      const double x = dx + 0.2 * i;
      const double y = dy + 0.2 * j;
      sum += std::pow(1.0 + (x * x + y * y) / alpha2, -beta);
    }
  }
  return sum / 25.0 * (beta - 1.0) / (std::numbers::pi * alpha2);
}

/// Star images of all phases laid over each other about their true centres.
struct Measure {
  std::vector<std::array<double, 2>> light;  ///< squared distance, light; within 7 px
  double flux = 0.0;                         ///< within 14 px
  void add(PlaneView<const float> plane, double cx, double cy) {
    for (int y = 0; y < plane.height(); ++y) {
      for (int x = 0; x < plane.width(); ++x) {
        const double r2 = (x - cx) * (x - cx) + (y - cy) * (y - cy);
        if (r2 >= 196.0) continue;
        if (r2 < 49.0) light.push_back({r2, static_cast<double>(plane(x, y))});
        flux += static_cast<double>(plane(x, y));
      }
    }
  }
  /// Width of the Gaussian that matches the light it weighs: a fit without a library.
  [[nodiscard]] double width() const {
    double s2 = 2.0;
    for (int round = 0; round < 60; ++round) {
      double sum = 0.0;
      double moment = 0.0;
      for (const auto& [r2, value] : light) {
        const double w = std::exp(-0.5 * r2 / s2) * value;
        sum += w;
        moment += w * r2;
      }
      s2 = moment / sum;
    }
    return std::sqrt(s2);
  }
};

constexpr double colours[3] = {1.0, 0.8, 0.5};

struct StarFigures {
  double flux[3];    ///< over the true one, mean over phases
  double width[3];   ///< over that of the true planes
  double worst = 0;  ///< largest relative error of a flux at a single phase
};

StarFigures measure_stars(Profile profile, double fwhm, Demosaic method) {
  const Size size{50, 50};
  const Mask good(size);
  Measure got[3];
  Measure truth;
  StarFigures figures{};
  // Phases evenly over the lattice's cell of 2 x 2 px, as dithers put them.
  for (int phase = 0; phase < 16; ++phase) {
    const double cx = 24.13 + 0.5 * (phase % 4);
    const double cy = 24.29 + 0.5 * (phase / 4);
    Grid<float> star(size);
    for (int y = 0; y < size.height; ++y) {
      for (int x = 0; x < size.width; ++x) {
        star(x, y) = static_cast<float>(1e4 * profile(x - cx, y - cy, fwhm));
      }
    }
    const double before = truth.flux;
    truth.add(star.view(), cx, cy);
    const auto mosaic = mosaic_of(size, CfaPattern::gbrg, [&](int c, int x, int y) {
      return colours[c] * static_cast<double>(star(x, y));
    });
    const auto planes = demosaic(mosaic, good, CfaPattern::gbrg, method);
    for (std::size_t c = 0; c < 3; ++c) {
      const double was = got[c].flux;
      got[c].add(planes[c].view(), cx, cy);
      const double one = (got[c].flux - was) / (colours[c] * (truth.flux - before));
      figures.worst = std::max(figures.worst, std::abs(one - 1.0));
    }
  }
  for (int c = 0; c < 3; ++c) {
    figures.flux[c] = got[c].flux / (colours[c] * truth.flux);
    figures.width[c] = got[c].width() / truth.width();
  }
  return figures;
}

}  // namespace

TEST_CASE("each colour follows the definition on its own lattice", "[lattice]") {
  // check-values RES-2: Lanczos-3 at 1/2, 3/2, 5/2 is 0.607927101854, -0.135094911523,
  // 0.024317084074, with sum 0.994298548810.
  const auto w = lanczos_weights();
  CHECK(w[2] == Near(0.607927101854 / 0.994298548810).epsilon(1e-10));
  CHECK(w[1] == Near(-0.135094911523 / 0.994298548810).epsilon(1e-10));
  CHECK(w[0] == Near(0.024317084074 / 0.994298548810).epsilon(1e-10));
  const Size size{23, 18};
  const auto mosaic = noise_plane(size, 21, 1000.0, 100.0);
  for (const auto pattern : all_patterns) {
    const auto planes = demosaic(mosaic, Mask(size), pattern);
    double worst = 0.0;
    for (int c = 0; c < 3; ++c) {
      for (int y = 0; y < size.height; ++y) {
        for (int x = 0; x < size.width; ++x) {
          worst = std::max(worst,
                           std::abs(static_cast<double>(planes[static_cast<std::size_t>(c)](x, y)) -
                                    expected(mosaic, pattern, c, x, y)));
        }
      }
    }
    CHECK(worst < 1300.0 * 1.5e-6);  // about ten roundings of values up to 1300, gain 2.4
  }
}

TEST_CASE("cubic scenes come back exactly on the own lattice", "[lattice]") {
  // 225 - 50 * 3^2 + 9 * 5^2 = 0: by symmetry degree 3 is exact; degree 4 is not.
  const Size size{40, 36};
  const auto scene = [](int c, int x, int y, double quartic) {
    const double u = (x - 20) / 20.0;
    const double v = (y - 18) / 18.0;
    return 500.0 + 100.0 * c + 80.0 * u - 60.0 * v + 40.0 * u * v + 90.0 * u * u - 70.0 * v * v +
           50.0 * u * u * u - 30.0 * u * v * v + (20.0 + 10.0 * c) * v * v * v +
           quartic * u * u * u * u;
  };
  for (const double quartic : {0.0, 100.0}) {
    const auto mosaic = mosaic_of(size, CfaPattern::bggr,
                                  [&](int c, int x, int y) { return scene(c, x, y, quartic); });
    const auto planes = demosaic(mosaic, Mask(size), CfaPattern::bggr);
    double worst = 0.0;
    const Rect inside = whole(size).expand(-demosaic_margin(Demosaic::own_lattice));
    for (int y = inside.y0; y < inside.y1; ++y) {
      for (int x = inside.x0; x < inside.x1; ++x) {
        for (int c = 0; c < 3; ++c) {
          worst = std::max(worst,
                           std::abs(static_cast<double>(planes[static_cast<std::size_t>(c)](x, y)) -
                                    scene(c, x, y, quartic)));
        }
      }
    }
    if (quartic == 0.0) CHECK(worst < 1000.0 * 1.5e-6);
    if (quartic != 0.0) CHECK(worst > 1000.0 * 1.5e-6);
  }
}

TEST_CASE("dithered stars keep flux and colour on the own lattice", "[lattice]") {
  // Widths: red and blue see one pixel in two of every second row, so a star of FWHM 3.2 px is
  // undersampled there (1.6 samples) and no linear method keeps its width: sixteen taps instead
  // of six would still widen it by 2.3%, 2.5 px by 9.4% (own calculation). Convolving the star with
  // the mean kernel (the taps averaged with the own sample) gives 12.3, 4.4 and 1.0% for
  // Lanczos-3 in red and blue at 2.5, 3.2 and 4 px, and 2.3, 0.1 and -0.3% in green.
  struct Limit {
    double fwhm;
    double chroma;
    double green;
  };
  for (const Limit& limit : {Limit{2.5, 0.125, 0.025}, Limit{3.2, 0.046, 0.01},
                             Limit{4.0, 0.015, 0.01}, Limit{5.0, 0.01, 0.01}}) {
    for (const Profile profile : {&gaussian, &moffat}) {
      const auto own = measure_stars(profile, limit.fwhm, Demosaic::own_lattice);
      const auto plain = measure_stars(profile, limit.fwhm, Demosaic::bilinear);
      for (int c = 0; c < 3; ++c) {
        CAPTURE(limit.fwhm, c, own.width[c], plain.width[c], own.worst, plain.worst);
        CHECK(own.flux[c] == Near(1.0).epsilon(0.003));
        CHECK(own.flux[c] / own.flux[1] == Near(1.0).epsilon(0.003));
        CHECK(std::abs(own.width[c] - 1.0) < (c == 1 ? limit.green : limit.chroma));
        CHECK(plain.width[c] > own.width[c] + 0.02);  // the plain mean widens more
      }
    }
  }
  // The adaptive methods, held to it: as true in light and colour.
  for (const auto method : {Demosaic::gradient_corrected, Demosaic::lmmse}) {
    const auto bent = measure_stars(&gaussian, 3.2, method);
    CAPTURE(bent.flux[0], bent.flux[1], bent.flux[2], bent.width[0], bent.width[1], bent.width[2]);
    CHECK(std::abs(bent.flux[0] / bent.flux[1] - 1.0) < 0.003);
    CHECK(std::abs(bent.flux[2] / bent.flux[1] - 1.0) < 0.003);
  }
}

TEST_CASE("lobes do not ring beside saturated samples", "[lattice]") {
  const Size size{30, 30};
  for (const auto pattern : all_patterns) {
    for (const int at : {14, 15}) {
      Grid<float> mosaic(size, 1000.0F);
      Mask mask(size);
      mosaic(at, 14) = 60000.0F;
      const auto rings = demosaic(mosaic, mask, pattern);
      mask(at, 14) = mask_bit::saturated;
      const auto calm = demosaic(mosaic, mask, pattern);
      const auto colour = static_cast<std::size_t>(cfa_colour(pattern, at, 14));
      for (std::size_t c = 0; c < 3; ++c) {
        float low[2] = {1e9F, 1e9F};
        for (int y = 0; y < size.height; ++y) {
          for (int x = 0; x < size.width; ++x) {
            low[0] = std::min(low[0], rings[c](x, y));
            low[1] = std::min(low[1], calm[c](x, y));
            const bool far = std::abs(x - at) > 5 || std::abs(y - 14) > 5;
            if (far || c != colour) CHECK(calm[c](x, y) == rings[c](x, y));
          }
        }
        // The deepest lobe carries 0.1359 (0.6114 of it in green and at corners).
        if (c == colour) CHECK(low[0] < 1000.0F - 0.08F * 59000.0F);
        CHECK(low[1] > 999.99F);
      }
      CHECK(calm[colour](at, 14) == 60000.0F);
    }
  }
}
