#include "sensor_footprint.hpp"

#include <cmath>

namespace coldframe::pipeline {

AxisFootprint::AxisFootprint(align::Kernel kernel, const AxisPlace& place)
    : aperture_(place.aperture) {
  const double stretch = place.step > align::stretch_threshold ? place.step : 1.0;
  const int reach = static_cast<int>(std::ceil(align::taps_after * stretch));
  const double last = place.position + (place.aperture - 1) * place.step;
  first_ = static_cast<int>(std::floor(place.position)) - reach;
  const int end = static_cast<int>(std::floor(last)) + reach + 2;
  weights_.assign(static_cast<std::size_t>(end - first_), 0.0);
  for (int a = 0; a < place.aperture; ++a) {
    const double position = place.position + a * place.step;
    stretch > 1.0 ? add_stretched(kernel, position, stretch) : add_plain(kernel, position);
  }
}

void AxisFootprint::add_plain(align::Kernel kernel, double position) {
  const double whole_part = std::floor(position);
  float taps[align::tap_count];
  align::tap_weights(kernel, static_cast<float>(position - whole_part - 0.5), taps);
  const int from = static_cast<int>(whole_part) - align::taps_before - first_;
  for (int k = 0; k < align::tap_count; ++k) {
    weights_[static_cast<std::size_t>(from + k)] += static_cast<double>(taps[k]);
  }
}

void AxisFootprint::add_stretched(align::Kernel kernel, double position, double stretch) {
  const int low = align::first_tap(position, stretch);
  std::vector<double> taps(static_cast<std::size_t>(align::last_tap(position, stretch) - low + 1));
  align::stretched_weights(kernel, position, stretch, low, static_cast<int>(taps.size()),
                           taps.data());
  for (std::size_t k = 0; k < taps.size(); ++k) {
    weights_[static_cast<std::size_t>(low - first_) + k] += taps[k];
  }
}

double AxisFootprint::response() const noexcept {
  double sum = 0.0;
  for (const double w : weights_) sum += w * w;
  return sum / aperture_;
}

double aperture_response(align::Kernel kernel, Point position, double step, int aperture) {
  const double x = position.x - 0.5 * step * (aperture - 1);
  const double y = position.y - 0.5 * step * (aperture - 1);
  return AxisFootprint(kernel, {x, step, aperture}).response() *
         AxisFootprint(kernel, {y, step, aperture}).response();
}

double mean_aperture_response(align::Kernel kernel, double step, int aperture) {
  constexpr int phases = 16;
  double sum = 0.0;
  for (int k = 0; k < phases; ++k) {
    sum += AxisFootprint(kernel, {(k + 0.5) / phases, step, aperture}).response();
  }
  return sum * sum / (phases * phases);
}

void SensorSamples::clear() noexcept {
  for (const auto cell : touched_) {
    cells_[cell] = 0.0;
    listed_[cell] = 0;
  }
  touched_.clear();
}

void SensorSamples::add(const AxisFootprint& x, const AxisFootprint& y, double amplitude) {
  for (std::size_t j = 0; j < y.weights().size(); ++j) {
    const std::size_t row = fold(y.first() + static_cast<int>(j)) * side;
    const double share = amplitude * y.weights()[j];
    if (share == 0.0) continue;
    for (std::size_t i = 0; i < x.weights().size(); ++i) {
      const std::size_t cell = row + fold(x.first() + static_cast<int>(i));
      const double part = share * x.weights()[i];
      if (listed_[cell] == 0) {
        listed_[cell] = 1;
        touched_.push_back(cell);
      }
      cells_[cell] += part;
    }
  }
}

double SensorSamples::squares() const noexcept { return product(*this); }

double SensorSamples::product(const SensorSamples& other) const noexcept {
  double sum = 0.0;
  for (const auto cell : touched_) sum += cells_[cell] * other.cells_[cell];
  return sum;
}

double SensorSamples::read(const AxisFootprint& x, const AxisFootprint& y) const noexcept {
  double sum = 0.0;
  for (std::size_t j = 0; j < y.weights().size(); ++j) {
    const std::size_t row = fold(y.first() + static_cast<int>(j)) * side;
    double along = 0.0;
    for (std::size_t i = 0; i < x.weights().size(); ++i) {
      along += x.weights()[i] * cells_[row + fold(x.first() + static_cast<int>(i))];
    }
    sum += y.weights()[j] * along;
  }
  return sum;
}

}  // namespace coldframe::pipeline
