// Readers of the NIST StRD files in testdata/nist (see the README there).
#pragma once

#include <cmath>
#include <fstream>
#include <sstream>
#include <stdexcept>
#include <string>
#include <vector>

namespace nist {

inline std::vector<std::string> lines_of(const std::string& set) {
  std::ifstream file(std::string(COLDFRAME_TESTDATA) + "/nist/" + set + ".dat");
  if (!file) throw std::runtime_error("no NIST file for " + set);
  std::vector<std::string> lines;
  for (std::string line; std::getline(file, line);) lines.push_back(line);
  return lines;
}

/// Rows of numbers from a 1-based line number on.
inline std::vector<std::vector<double>> rows(const std::string& set, std::size_t first_line) {
  const auto lines = lines_of(set);
  std::vector<std::vector<double>> result;
  for (std::size_t i = first_line - 1; i < lines.size(); ++i) {
    std::istringstream text(lines[i]);
    std::vector<double> row;
    for (double value = 0.0; text >> value;) row.push_back(value);
    if (!row.empty()) result.push_back(row);
  }
  return result;
}

inline std::vector<double> univariate(const std::string& set, std::size_t first_line) {
  std::vector<double> values;
  for (const auto& row : rows(set, first_line)) values.push_back(row.at(0));
  return values;
}

/// What the header of a non-linear set certifies.
struct Nonlinear {
  std::vector<double> start[2];
  std::vector<double> certified;
  std::vector<double> deviation;
  double sum_of_squares = 0.0;
  std::vector<double> x;
  std::vector<double> y;
};

inline Nonlinear nonlinear(const std::string& set) {
  Nonlinear problem;
  const auto lines = lines_of(set);
  for (std::size_t i = 40; i < 60; ++i) {
    const auto equals = lines.at(i).find('=');
    if (equals != std::string::npos && lines[i].find('b') < equals) {
      std::istringstream text(lines[i].substr(equals + 1));
      double s1 = 0.0, s2 = 0.0, value = 0.0, sd = 0.0;
      if (!(text >> s1 >> s2 >> value >> sd)) continue;
      problem.start[0].push_back(s1);
      problem.start[1].push_back(s2);
      problem.certified.push_back(value);
      problem.deviation.push_back(sd);
    }
    const std::string label = "Residual Sum of Squares:";
    if (const auto at = lines[i].find(label); at != std::string::npos) {
      problem.sum_of_squares = std::stod(lines[i].substr(at + label.size()));
    }
  }
  for (const auto& row : rows(set, 61)) {
    problem.y.push_back(row.at(0));
    problem.x.push_back(row.at(1));
  }
  return problem;
}

/// |a - b| <= tolerance * |b| (absolute when b is 0).
inline bool close(double a, double b, double tolerance) {
  return std::fabs(a - b) <= tolerance * (b == 0.0 ? 1.0 : std::fabs(b));
}

}  // namespace nist
